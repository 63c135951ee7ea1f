"""Pure: history as destinations are given it: what was kept, in the order in which it was kept.

Live records are another matter: every sheet, newest wins. History is a part of them, committed before it is told.
"""

from typing import NamedTuple

from gateway.tank_record import Event, Identity, TankRecord

__all__ = ["GATEWAY", "Entry", "KeptEvent", "KeptRecord", "Previous"]

GATEWAY = ""
"""In place of a tank's name: of what happens to the gateway itself."""


class Previous(NamedTuple):
    """The history record of the same tank before this one: who has another has missed some."""

    boot: str
    sequence: int


class KeptRecord(NamedTuple):
    """A record of history."""

    position: int
    """In the ledger: each entry has a greater one than those before it, and none is ever used twice."""
    record: TankRecord
    previous: Previous | None
    """None: the first of this tank in this ledger."""


class KeptEvent(NamedTuple):
    """An event. It shares the identity of the record that it came with; one of the gateway itself has tank `GATEWAY`
    and counts by itself."""

    position: int
    identity: Identity
    number: int
    """Among the events of that identity, from 0."""
    event: Event


Entry = KeptRecord | KeptEvent
