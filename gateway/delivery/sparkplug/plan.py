"""What is fixed for an edge node of Sparkplug until the site file changes."""

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

from gateway.delivery.plan import TlsPlan

__all__ = ["ServerPlan", "SparkplugPlan", "missing_part"]

_DESCRIPTORS = 6
"""A connection, the one before it that ends, and what a look-up of a name and the files of TLS take for a moment."""


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    if find_spec("google") is not None and find_spec("google.protobuf") is not None:
        return None
    return "protobuf is not installed, so that nothing goes to Sparkplug; pip install 'tank-gateway[sparkplug]'"


class ServerPlan(NamedTuple):
    """One server, as the wire wants it."""

    host: str
    port: int
    protocol: str
    user_name: str | None
    keepalive_s: int
    timeout_s: float


@dataclass(frozen=True, slots=True)
class SparkplugPlan:
    """One node, at one of its servers at a time. Secrets come by file path, read at connect, never logged."""

    addresses: tuple[tuple[str, int], ...]
    """Host and port of each server, in the order in which they are tried."""
    group: str
    node: str
    primary_host: str | None = None
    """None: nobody is waited for."""
    protocol: str = "3.1.1"
    """`3.1.1` or `5`."""
    client_id: str | None = None
    user_name: str | None = None
    password_file: Path | None = None
    tls: TlsPlan | None = None
    keepalive_s: int = 5
    """Also how often it is known how far all has arrived."""
    timeout_s: float = 10.0
    host_wait_s: float = 10.0
    """How long a server, where there are several, may be silent about the primary host."""
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
    given_name: str | None = None
    """What the site file calls it; else it is called by its topics."""
    host_silence_s: float = 100.0
    """For how long the primary host may be gone before its server tells so: one and a half times its keepalive, which
    is 60 s at most with most programs (common practice), and what a server takes to notice: it looks now and then."""

    @property
    def name(self) -> str:
        return self.given_name or f"sparkplug:{self.group}/{self.node}"

    @property
    def place(self) -> tuple[str, str, tuple[tuple[str, int], ...]]:
        return self.group, self.node, self.addresses

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def longest_turn_s(self) -> float:
        return 3 * self.timeout_s + 2 * self.keepalive_s + self.backoff_longest_s

    def server(self, index: int) -> ServerPlan:
        host, port = self.addresses[index]
        return ServerPlan(host, port, self.protocol, self.user_name, self.keepalive_s, self.timeout_s)
