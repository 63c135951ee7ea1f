"""Pure: what is fixed for a server of registers until the site file changes."""

from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network

__all__ = ["Network", "RegistersPlan"]

Network = IPv4Network | IPv6Network

_DESCRIPTORS_BESIDE = 4
"""One that listens for each of two families of addresses, and a newcomer that is turned away."""
_TURN_S = 1.0


@dataclass(frozen=True, slots=True)
class RegistersPlan:
    """One server of registers."""

    host: str
    port: int
    blocks: tuple[tuple[str, int], ...]
    """Tank and number of its block, 1 to `layout.LAST_BLOCK`; each of both there once."""
    order: str = "ABCD"
    """In which order the four bytes of a number of two registers stand: ABCD, CDAB, BADC or DCBA."""
    allow: tuple[Network, ...] = ()
    """Who may connect; empty: whoever reaches it."""
    connections: int = 16
    """At once; half of them from one address."""
    idle_s: float = 120.0
    """A connection without a request for so long is closed; so is one that takes no answer for so long."""
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
    """Between two attempts to listen, where the port is taken."""
    given_name: str | None = None

    @property
    def name(self) -> str:
        return self.given_name or f"registers:{self.host}:{self.port}"

    @property
    def place(self) -> tuple[str, int]:
        return self.host, self.port

    @property
    def descriptors(self) -> int:
        return self.connections + _DESCRIPTORS_BESIDE

    @property
    def longest_turn_s(self) -> float:
        return _TURN_S + self.backoff_longest_s
