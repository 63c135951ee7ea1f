"""What is fixed for sign-in by a provider until the site file changes."""

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from gateway.person import Role

__all__ = ["NAME_CLAIM", "SCOPES", "ProviderPlan", "mark_of"]

NAME_CLAIM = "preferred_username"
"""OpenID Connect Core 1.0, section 5.1."""
SCOPES = ("profile",)


@dataclass(frozen=True, slots=True)
class ProviderPlan:
    """Who is asked, as whom we ask, and which role somebody has here by what is said of him there."""

    name: str
    """Behind the @ of those who come this way."""
    issuer: str
    client: str
    page: str
    """Scheme, host and port under which browsers open the page."""
    role_claim: str
    roles: tuple[tuple[str, Role], ...]
    """By a value of that claim; of several the first."""
    name_claim: str = NAME_CLAIM
    scopes: tuple[str, ...] = SCOPES
    asks_each_time: bool = True
    """Whether the provider has to ask for a password at each sign-in, whoever it has seen at that screen before."""
    secret_file: Path | None = None
    secret_variable: str | None = None
    """Neither: a public client, which shows by PKCE alone that it is the one that has begun."""
    ca: Path | None = None
    """None: whom this machine trusts."""

    @property
    def returns_to(self) -> str:
        return f"{self.page}/"


@lru_cache(maxsize=8)
def mark_of(plan: ProviderPlan) -> str:
    """Of what says who comes in and as what: a session that began under another one has ended."""
    said = (plan.name, plan.issuer, plan.client, plan.role_claim, plan.name_claim, plan.roles)
    return hashlib.sha256(repr(said).encode()).hexdigest()[:32]
