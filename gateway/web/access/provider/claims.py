"""Who somebody is here by what a provider says of him. Nobody gets in whom the site file does not mention."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from gateway.errors import GatewayError
from gateway.person import Role
from gateway.web.access.names import plain_name
from gateway.web.access.provider.faults import NotTrueError
from gateway.web.access.provider.plan import ProviderPlan

__all__ = ["Came", "NoPlaceHereError", "came_by", "is_told"]

_MOST_VALUES = 2000


class NoPlaceHereError(GatewayError):
    """The provider knows this person, and the site file has no role for him."""

    hint = "whoever runs the gateway says in `web: sign_in_by: roles` who may come in, or invites you here"


class Came(NamedTuple):
    """Somebody whom the provider has let in."""

    subject: str
    """Who that is there, whatever name is shown."""
    name: str
    """Before the @; not looked at yet."""
    role: Role
    id_token: str = ""
    """By which the provider knows whose session is to end there."""


def is_told(claims: Mapping[str, Any], plan: ProviderPlan) -> bool:
    """Whether name and roles stand there, or more has to be asked for."""
    return _claim(claims, plan.name_claim) is not None and _claim(claims, plan.role_claim) is not None


def came_by(subject: str, claims: Mapping[str, Any], plan: ProviderPlan) -> Came:
    """Raises NoPlaceHereError, NotTrueError."""
    name = _claim(claims, plan.name_claim)
    if not isinstance(name, str):
        raise NotTrueError(f"{plan.name} does not tell a name: there is no text in its claim {plan.name_claim}")
    # Many name people by an address of mail: what it stands before is the name. Two of one name are told apart later.
    name = plain_name(name[:300].partition("@")[0])
    told = _claim(claims, plan.role_claim)
    values = told[:_MOST_VALUES] if isinstance(told, list) else [told]
    # Whole texts alone: a value is never looked for within another.
    given = {value for value in values if isinstance(value, str)}
    role = next((role for value, role in plan.roles if value in given), None)
    if role is None:
        raise NoPlaceHereError(f"{plan.name} knows you, and this site has no role for you")
    return Came(subject, name, role)


def _claim(claims: Mapping[str, Any], name: str) -> object:
    """By its name, or by a dot for each block that it stands in."""
    if name in claims:
        return claims[name]
    found: object = claims
    for part in name.split("."):
        if not isinstance(found, Mapping):
            return None
        found = found.get(part)
    return found
