"""Pure: what is fixed for an OPC UA server until the site file changes."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["NO_SECURITY", "SECURITIES", "OpcuaPlan"]

NO_SECURITY = "None"
SECURITIES = ("Aes256_Sha256_RsaPss", "Basic256Sha256", NO_SECURITY)
"""Names of security policies, OPC 10000-7."""
_DESCRIPTORS = 8
"""The pipes to the process and from it; its connections are its own."""


@dataclass(frozen=True, slots=True)
class OpcuaPlan:
    """One server. Who may read is in a file of users; whom it trusts is in the folder of certificates."""

    host: str
    port: int
    certificates: Path
    """A folder with `own`, `trusted` and `rejected`."""
    security: tuple[str, ...] = SECURITIES[:2]
    users_file: Path | None = None
    anonymous: bool = False
    sessions: int = 20
    """Connections at once, with or without a session."""
    sign_in_s: float = 20.0
    """For so long one may be connected without a session."""
    shortest_interval_s: float = 0.5
    """Of publishing: who asks for less gets this."""
    memory_mb: int = 1024
    """Address space that the process may take; it is begun anew where that is not enough."""
    backoff_first_s: float = 1.0
    backoff_longest_s: float = 60.0
    given_name: str | None = None

    @property
    def name(self) -> str:
        return self.given_name or f"opcua:{self.host}:{self.port}"

    @property
    def place(self) -> tuple[str, int]:
        return self.host, self.port

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def longest_turn_s(self) -> float:
        return 60.0 + self.backoff_longest_s
