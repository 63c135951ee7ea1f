"""What is fixed for access over HTTP until the site file changes."""

from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path

from gateway.web.access.provider.plan import ProviderPlan

__all__ = ["IDLE_S", "LONGEST_S", "AccessPlan", "TlsFiles", "TokenPlan"]

IDLE_S = 12 * 3600.0
"""A shift: who has signed in at its beginning does so once."""
LONGEST_S = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class TokenPlan:
    """A program that may read, and where its secret is: in a file or in a variable of the environment."""

    name: str
    secret_file: Path | None = None
    secret_variable: str | None = None


@dataclass(frozen=True, slots=True)
class TlsFiles:
    """PEM: the certificate with those between it and its authority, and its key."""

    certificate: Path
    key: Path


@dataclass(frozen=True, slots=True)
class AccessPlan:
    """Who may look without signing in, how long sessions last, which programs may read, and what is before us."""

    view_without_sign_in: bool | None = None
    """None: whoever comes from this machine, and nobody else."""
    session_unused_s: float = IDLE_S
    session_longest_s: float = LONGEST_S
    tokens: tuple[TokenPlan, ...] = ()
    tls: TlsFiles | None = None
    trusted_proxy: IPv4Network | IPv6Network | None = None
    """Whose word is taken for who asks, and whether over TLS."""
    provider: ProviderPlan | None = None
    """By whom people may sign in, beside name and password."""
