"""Pure: whether two count as two people, where one asks for something and another approves it.

Two names are not yet two people: whoever says who may come in can make himself a second one. So it is kept who gave
whom a way in, or a role, and in which order; by a count, since a clock may be set back, that is never behind the clock,
since the file of people may be put back to what it was. Separation of duties is common
practice. What no program can know the guide tells: who was at the terminal, and who has two accounts at a provider.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, NamedTuple

__all__ = [
    "GIFTS",
    "INVITED",
    "PASSWORD",
    "ROLE",
    "Given",
    "count_of",
    "human_of",
    "in_the_way",
    "noted",
    "signed",
    "ties",
    "told_to",
]

INVITED, PASSWORD, ROLE = "invited", "password", "role"
GIFTS = (INVITED, PASSWORD, ROLE)
_MOST = 4000
_PER_S = 1000
_WORDS = {
    INVITED: "{by} invited {to}",
    PASSWORD: "{by} gave {to} a code for a new password",
    ROLE: "{by} gave {to} another role",
}


class Given(NamedTuple):
    """Somebody came in, has another password by a code, or another role: through somebody else."""

    number: int
    """Counts: what was later has a higher one."""
    to: str
    by: str
    """As he signs: anna@page, or a user of this machine."""
    what: str
    at: float
    """When it held, UTC, seconds since the epoch: an invitation, when somebody came by it."""


def human_of(by: str) -> str:
    """The user anna of the machine, anna@page, and anna of a provider are taken for one: two names are not yet two
    people."""
    return by.partition("@")[0].casefold()


def count_of(given: Iterable[Given]) -> int:
    """By which it is told later what came after now."""
    return max((each.number for each in given), default=0)


def noted(given: Sequence[Given], to: str, by: str, what: str, at: float) -> tuple[Given, ...]:
    """With one more. Of the same kind between the same two only the newest is kept."""
    # What is asked for may have been so after the newest that is still known here: only the clock tells that.
    new = Given(max(count_of(given) + 1, int(at * _PER_S)), to, by, what, at)
    kept = [each for each in given if (each.to, each.by, each.what) != (to, by, what)]
    return (*kept, new)[-_MOST:]


def in_the_way(asked_by: str, approver: str, count: int, given: Iterable[Given]) -> str:
    """Why this person may not approve what `asked_by` asked for when the count was `count`; empty: he may, as far as
    that goes.

    Whoever has come in, or has a new password or role, after it was asked for, and that by whoever asked for it, by
    somebody who has his own from there in the same time, or from the terminal, where nobody knows who it was.
    """
    asker, other = human_of(asked_by), human_of(approver)
    if asker == other:
        return f"was asked for by {asked_by}; another person approves it"
    # Who is called root here is not the root of the machine, whoever that was: of the terminal everything counts.
    later = [
        each
        for each in given
        if each.number > count and (_is_terminal(each.by) or human_of(each.to) != human_of(each.by))
    ]
    reached = {asker}
    more = reached
    while more:
        more = {human_of(each.to) for each in later if _is_of(each.by, reached)} - reached
        reached = reached | more
    newest = max((each for each in later if human_of(each.to) == other and _is_of(each.by, reached)), default=None)
    if newest is None:
        return ""
    return f"was asked for by {asked_by}, and after that {_said(newest)}; a third person approves it"


def ties(asked_by: str, approver: str, given: Sequence[Given]) -> tuple[Given, ...]:
    """What is to be known of the two: by whom the one has his way in from the other, over others too, or both from one
    and the same person. The oldest first; empty where nothing is known."""
    asker, other = human_of(asked_by), human_of(approver)
    if asker == other:
        return ()
    for giver, taker in ((asker, other), (other, asker)):
        way = _way(giver, taker, given)
        if way:
            return _between(way, given)
    both = [_givers(each, given) for each in (asker, other)]
    common = sorted(both[0] & both[1])
    return tuple(
        sorted({each for giver in common for taker in (asker, other) for each in _between((giver, taker), given)})
    )


def signed(asked_by: str, approver: str, tied: Sequence[Given]) -> str:
    """How what was done bears both, with what is to be known of them."""
    both = f"{asked_by}, approved by {approver}"
    direct = [
        each
        for each in tied
        if (human_of(each.by), human_of(each.to), each.what) == (human_of(asked_by), human_of(approver), INVITED)
    ]
    if direct and len(tied) == 1:
        return f"{both}, whom {direct[0].by} invited on {_date(direct[0])}"
    return f"{both} ({'; '.join(_said(each) for each in tied)})" if tied else both


def told_to(asked_by: str, approver: str, count: int, given: Sequence[Given]) -> dict[str, Any]:
    """For whoever may be about to approve it: why he may not, and what is to be known of the two. Plain values."""
    return {
        "in_the_way": in_the_way(asked_by, approver, count, given),
        "ties": [
            {"by": each.by, "to": each.to, "what": each.what, "day": _date(each)}
            for each in ties(asked_by, approver, given)
        ],
    }


def _said(each: Given) -> str:
    by = f"{each.by} at the terminal" if _is_terminal(each.by) else each.by
    return f"{_WORDS[each.what].format(by=by, to=each.to)} on {_date(each)}"


def _date(each: Given) -> str:
    return datetime.fromtimestamp(each.at, UTC).date().isoformat()


def _is_terminal(by: str) -> bool:
    """Users of this machine have no @: only root and the gateway's own user say there who may come in."""
    return "@" not in by


def _is_of(by: str, reached: Collection[str]) -> bool:
    """Whether one of these gave it, or nobody knows who."""
    return _is_terminal(by) or human_of(by) in reached


def _givers(human: str, given: Iterable[Given]) -> set[str]:
    """From whom somebody has something; who was at the terminal is nobody in particular."""
    return {human_of(each.by) for each in given if human_of(each.to) == human and not _is_terminal(each.by)} - {human}


def _way(giver: str, taker: str, given: Sequence[Given]) -> tuple[str, ...]:
    """From the one to the other, over as few as can be; empty where there is none."""
    ways: list[tuple[str, ...]] = [(taker,)]
    seen = {taker}
    for way in ways:
        for each in sorted(_givers(way[0], given) - seen):
            if each == giver:
                return (each, *way)
            seen.add(each)
            ways.append((each, *way))
    return ()


def _between(way: Sequence[str], given: Iterable[Given]) -> tuple[Given, ...]:
    steps = set(pairwise(way))
    return tuple(sorted(each for each in given if (human_of(each.by), human_of(each.to)) in steps))
