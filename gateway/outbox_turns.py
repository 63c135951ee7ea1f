"""One outbox, and those that read it one after the other: after a reload, and where one hung and was made anew.

Who hung may come back to life, and then must neither take what is for its follower nor say that it has arrived: an
outbox has one reader. Who was made, and is not run in the end, takes nothing from the one that goes on.
"""

import asyncio
from collections.abc import Collection, Sequence
from concurrent.futures import Future
from typing import NoReturn

from gateway.delivery.contract import Outbox
from gateway.history import Entry
from gateway.status import Backlog

__all__ = ["Turn", "Turns"]


class Turns:
    """Of one outbox."""

    def __init__(self, outbox: Outbox) -> None:
        self.outbox = outbox
        self.newest = 0
        """Who reads now; 0: nobody yet."""
        self._made = 0

    def next(self) -> "Turn":
        """For one more reader: its turn begins when it first takes or rewinds, and ends that of all made before."""
        self._made += 1
        return Turn(self, self._made)


class Turn:
    """The outbox as one reader has it."""

    def __init__(self, turns: Turns, number: int) -> None:
        self._turns = turns
        self._number = number

    async def take(self, at_most: int) -> Sequence[Entry]:
        """As the contract says; for ever, once the turn is over."""
        self._begin()
        if not self._is_over():
            entries = await self._turns.outbox.take(at_most)
            if not self._is_over():
                return entries
            # It ended meanwhile: they are for another.
            self._turns.outbox.rewind()
        return await _for_ever()

    def ready(self) -> bool:
        """As the contract says."""
        return not self._is_over() and self._turns.outbox.ready()

    def delivered(self, position: int, refused: Collection[int] = ()) -> None:
        """As the contract says; of what is said after the turn nothing counts: it is delivered once more."""
        if not self._is_over():
            self._turns.outbox.delivered(position, refused)

    def rewind(self) -> None:
        """As the contract says."""
        if not self._begin() and not self._is_over():
            self._turns.outbox.rewind()

    def backlog(self) -> Backlog:
        """As the contract says."""
        return self._turns.outbox.backlog()

    def next_number(self, modulo: int) -> "Future[int]":
        """As the contract says."""
        return self._turns.outbox.next_number(modulo)

    def _is_over(self) -> bool:
        return self._number < self._turns.newest

    def _begin(self) -> bool:
        """Whether the turn begins only now."""
        if self._number <= self._turns.newest:
            return False
        self._turns.newest = self._number
        self._turns.outbox.rewind()
        return True


async def _for_ever() -> NoReturn:
    while True:
        await asyncio.Event().wait()
