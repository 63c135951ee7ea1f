"""Those who come by a provider, as they are known here: whose name is whose, and what they were last.

A name belongs to the first who came with it, whatever names are shown at the provider later: what stands in the audit
trail is not to become somebody else's there. An administrator may free it.
"""

from collections.abc import Mapping

from gateway.errors import GatewayError
from gateway.web.access.book import Account, Guest, Invitation
from gateway.web.access.names import name_trouble
from gateway.web.access.people import Changed, People
from gateway.web.access.provider.claims import Came
from gateway.web.access.provider.plan import ProviderPlan

__all__ = ["welcomed"]

_MOST = 500
_MOST_NAMES = 3
"""Of one person: somebody may marry, and nobody may take names by the dozen."""


async def welcomed(people: People, came: Came, plan: ProviderPlan, now: float) -> tuple[Guest, Guest | None]:
    """As he is known from now on, and as he was before. Raises GatewayError."""
    name = f"{came.name}@{plan.name}"
    known = people.guests.get(name)
    guest = Guest(name, plan.issuer, came.subject, came.role, now if known is None else known.since)
    _check(people.guests, guest, came.name, plan)
    if known == guest:
        return guest, known

    def make(accounts: Mapping[str, Account], invitations: Mapping[str, Invitation]) -> Changed:
        # Looked at once more: two may have come with one name.
        _check(people.guests, guest, came.name, plan)
        # Of another role: sessions that began with the other end, as those of people of here do, and so do the codes
        # that were made in it.
        kept = {key: each for key, each in invitations.items() if each.by != guest.name}
        return Changed(accounts, kept, (guest.name,), {**people.guests, guest.name: guest})

    await people.change(make)
    return guest, known


def _check(guests: Mapping[str, Guest], guest: Guest, name: str, plan: ProviderPlan) -> None:
    """Raises GatewayError."""
    who = (guest.issuer, guest.subject)
    known = guests.get(guest.name)
    if known is not None:
        if (known.issuer, known.subject) != who:
            raise _refused(f"{guest.name} is somebody else here")
        return
    others = [each.name.rpartition("@")[0] for each in guests.values() if each.name.endswith(f"@{plan.name}")]
    trouble = name_trouble(name, others)
    if trouble is not None:
        raise _refused(trouble)
    if sum((each.issuer, each.subject) == who for each in guests.values()) >= _MOST_NAMES:
        raise _refused(f"you have come by {_MOST_NAMES} names already")
    if len(guests) >= _MOST:
        raise _refused(f"{_MOST} people have come by a provider, and more cannot be")


def _refused(text: str) -> GatewayError:
    error = GatewayError(text)
    error.hint = "an administrator sees on the page who has come, and can free a name"
    return error
