"""What waits for a second person: kept when it is proposed, and told to whoever only wants to know that it waits."""

from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from typing import NamedTuple

from gateway.errors import GatewayError
from gateway.site_desk.checking import Candidate
from gateway.site_desk.proposal import LONGEST, Proposal, iso, waits_at
from gateway.site_desk.store import Store

__all__ = ["Brief", "WaitingNow", "kept_proposal"]

_MOST_WAITING = 10


class Brief(NamedTuple):
    """Of a proposal, without what it proposes."""

    number: int
    by: str
    ends: str
    version: int
    """Of a roll-back, the version that it goes back to; else 0."""


class WaitingNow:
    """From the gateway's loop: what is told is there already."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known = -1
        self._proposals: tuple[Proposal, ...] = ()

    async def look(self, on_disk: Callable[[Callable[[], list[Proposal]]], Awaitable[list[Proposal]]]) -> None:
        """Reads what there is, where something of it was kept since. Raises GatewayError."""
        times = self._store.times_kept
        if times != self._known:
            found = await on_disk(self._store.proposals)
            self._proposals = tuple(each._replace(text="", tables={}) for each in found if each.state == "waits")
            self._known = times

    def briefs(self, now: datetime) -> list[Brief]:
        """The oldest first."""
        return [Brief(each.number, each.by, each.ends, each.version) for each in self._proposals if waits_at(each, now)]


def kept_proposal(
    store: Store,
    candidate: Candidate,
    beside: dict[str, str],
    changes: Sequence[str],
    based_on: str,
    *,
    by: str,
    why: str,
    version: int,
    given: int,
    now: datetime,
) -> Proposal:
    """On the disk. Blocks. Raises GatewayError where too much waits, or the very same does, and OSError."""
    waiting = [each for each in store.proposals() if waits_at(each, now)]
    if len(waiting) >= _MOST_WAITING:
        raise GatewayError(f"{_MOST_WAITING} proposals wait already; have them approved or declined")
    same = next((each for each in waiting if each.sha256 == candidate.sha256), None)
    if same is not None:
        raise GatewayError(f"the same waits already as proposal {same.number} of {same.by}")
    proposal = Proposal(
        store.next_number(Proposal),
        candidate.text,
        dict(candidate.tables),
        based_on,
        beside,
        candidate.sha256,
        by,
        why,
        iso(now),
        iso(now + LONGEST),
        tuple(changes),
        version,
        given=given,
    )
    store.keep(proposal)
    store.tidy(each.number for each in waiting)
    return proposal
