"""Pure: who has been told how far. The outbox has one cursor, and a server may take a mail for some and not for others.

Those who were told are ahead of the cursor until all are; each is told each event once, as far as one process knows.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

__all__ = ["People", "Person"]

_GIVE_UP_S = 86_400.0
"""Somebody for whom the server puts each mail off for so long holds up the cursor no more."""


class Person(NamedTuple):
    escalated: bool
    """As one who is told that nobody has acknowledged."""
    address: str


class People:
    """Of one destination."""

    def __init__(self, to: Sequence[str], escalate_to: Sequence[str]) -> None:
        self._all = (
            *(Person(False, address) for address in to),
            *(Person(True, address) for address in escalate_to or to),
        )
        self._ahead: dict[Person, int] = {}
        self._put_off: dict[Person, float] = {}
        """Since when a server puts off their mails."""

    def groups(self, *, escalated: bool) -> Mapping[int, tuple[str, ...]]:
        """Addresses by the position up to which they have been told; 0 for those who are as far as the cursor."""
        found: dict[int, tuple[str, ...]] = {}
        for person in self._all:
            if person.escalated is escalated:
                ahead = self._ahead.get(person, 0)
                found[ahead] = (*found.get(ahead, ()), person.address)
        return found

    def told(self, addresses: Iterable[str], up_to: int, *, escalated: bool) -> None:
        """They know all up to this position, or are not to be told."""
        for address in addresses:
            person = Person(escalated, address)
            self._ahead[person] = max(up_to, self._ahead.get(person, 0))
            self._put_off.pop(person, None)

    def put_off(self, address: str, now_s: float, *, escalated: bool) -> bool:
        """The server takes nothing for them at present. Whether they are to be tried again: always, unless it takes the
        same for others and has put these off for too long."""
        person = Person(escalated, address)
        since_s = self._put_off.setdefault(person, now_s)
        mine = self._ahead.get(person, 0)
        others = any(self._ahead.get(each, 0) > mine for each in self._all if each.escalated is escalated)
        return not others or now_s - since_s < _GIVE_UP_S

    def all_told(self, up_to: int) -> bool:
        """Whether the cursor may go there. Nobody is ahead of it by that any more."""
        if any(self._ahead.get(person, 0) < up_to for person in self._all):
            return False
        self._ahead = {person: ahead for person, ahead in self._ahead.items() if ahead > up_to}
        return True

    def give_up(self, up_to: int) -> Sequence[str]:
        """Those who have not been told so far, where somebody else has: they are passed over. Who they are."""
        behind = [person for person in self._all if self._ahead.get(person, 0) < up_to]
        if len(behind) == len(self._all):
            return ()
        for person in behind:
            self._ahead[person] = up_to
        return sorted({person.address for person in behind})
