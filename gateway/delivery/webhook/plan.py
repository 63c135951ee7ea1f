"""What is fixed for a webhook until the site file changes."""

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from gateway.delivery.plan import TlsPlan

__all__ = ["MOST_REDIRECTS", "WebhookPlan"]

MOST_REDIRECTS = 3
_DESCRIPTORS = 6
"""A connection, the one before it that ends, and what a look-up of a name and the files of TLS take for a moment."""


@dataclass(frozen=True, slots=True)
class WebhookPlan:
    """One address. Secrets come by file or environment, read at each connection, never logged."""

    url: str
    """https or http, without user, password and fragment."""
    secret: str = "none"
    """How the secret shows who we are: `none`, `bearer` (RFC 6750), or `signature` (HMAC-SHA256 over the body)."""
    secret_file: Path | None = None
    secret_variable: str | None = None
    """Of the environment, in place of the file."""
    tls: TlsPlan | None = None
    together: int = 1
    """1: each event is a request of its own; more: a list of up to so many."""
    timeout_s: float = 10.0
    """For one request and its answer, all of it."""
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 60.0
    retry_after_s: float = 3600.0
    """Longest that the server's own wish when to be asked again is followed."""
    given_name: str | None = None
    """What the site file calls it; else it is called by where it is."""

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""

    @property
    def port(self) -> int:
        parts = urlsplit(self.url)
        return parts.port or (443 if parts.scheme == "https" else 80)

    @property
    def name(self) -> str:
        """Without the path, which may be a secret."""
        return self.given_name or f"webhook:{self.host}:{self.port}"

    @property
    def place(self) -> str:
        return self.url

    @property
    def password_file(self) -> Path | None:
        """As `delivery.secrets` asks for it."""
        return self.secret_file

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def longest_turn_s(self) -> float:
        # Files of secrets, the name and one answer; waits are announced.
        return 4 * self.timeout_s + self.backoff_longest_s
