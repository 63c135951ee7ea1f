"""What is fixed for notification by e-mail until the site file changes."""

from dataclasses import dataclass
from datetime import time
from pathlib import Path

from gateway.delivery.plan import TlsPlan
from gateway.tank_state import Priority

__all__ = ["MailPlan"]

_DESCRIPTORS = 6
"""A connection, the one before it that ends, and what a look-up of a name and the files of TLS take for a moment."""
_STEPS = 12
"""Answers of the server in one conversation, and a few to spare."""
_TLS = TlsPlan()


@dataclass(frozen=True, slots=True)
class MailPlan:
    """One server and the people it writes to. Secrets come by file or environment, read at connect, never logged."""

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    escalate_to: tuple[str, ...] = ()
    """Who is told that nobody has acknowledged an alarm in its time. Empty: `to` once more."""
    priorities: tuple[Priority, ...] = (Priority.NOW, Priority.SOON)
    tanks: tuple[str, ...] = ()
    """Empty: all. What happens to the gateway itself is told in any case."""
    when_over: bool = True
    """Whether people are also told that what raised an alarm is over."""
    still_alive: time | None = time(7)
    """When by the site's own time it says each day that it is alive; None: never."""
    encryption: str = "starttls"
    """`starttls`, `tls` (from the first byte on) or `none`."""
    tls: TlsPlan | None = _TLS
    """None with `none` alone."""
    user_name: str | None = None
    password_file: Path | None = None
    password_variable: str | None = None
    """Of the environment, in place of the file."""
    gather_s: float = 5.0
    """What comes within so long after the first is one mail."""
    most_per_hour: int = 20
    """Mails in any hour, those of escalation apart; what is held back comes with the next."""
    timeout_s: float = 30.0
    """For each answer of the server."""
    backoff_first_s: float = 5.0
    backoff_longest_s: float = 120.0
    given_name: str | None = None
    """What the site file calls it; else it is called by where it is."""

    @property
    def name(self) -> str:
        return self.given_name or f"mail:{self.host}:{self.port}"

    @property
    def place(self) -> tuple[str, int, tuple[str, ...]]:
        return self.host, self.port, self.to

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def conversation_s(self) -> float:
        """Longest that all answers to the greeting may take together, and all to one mail."""
        return _STEPS * self.timeout_s

    @property
    def longest_turn_s(self) -> float:
        # Files of secrets and the name; greeting and mail.
        return 3 * self.timeout_s + 2 * self.conversation_s + self.gather_s + self.backoff_longest_s
