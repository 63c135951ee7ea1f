"""Transaction identifiers of Modbus TCP: one count for all connections to one peer, which begins anywhere.

So a number tells which request an answer belongs to even where the peer, or something before it, keeps answers over
connections: that of an earlier connection, of another one that is open at the same time, or of an earlier run of this
program is not taken for one that waits.
"""

import secrets
from collections.abc import Callable
from weakref import WeakValueDictionary

__all__ = ["TransactionNumbers", "numbers_of"]

_NUMBERS = 0x10000
_REMEMBERED = 1024
"""So many of the last that were sent are known, and of those that were never answered."""


class TransactionNumbers:
    """The count for one peer."""

    def __init__(self, first: int | None = None) -> None:
        self._last = (secrets.randbelow(_NUMBERS) if first is None else first) - 1
        self._sent = 0
        self._waiting: set[int] = set()
        self.answered: Callable[[int], None] = self._waiting.discard
        """To be told of each number that waited, when its answer has come."""
        self._unanswered: dict[int, None] = {}
        """Those that are not waited for any longer."""

    def next(self) -> int:
        """One that no request bears that waits or may yet be answered."""
        number = (self._last + 1) % _NUMBERS
        while number in self._waiting or number in self._unanswered:
            number = (number + 1) % _NUMBERS
        self._last = number
        self._sent += 1
        self._waiting.add(number)
        return number

    def given_up(self, number: int) -> None:
        """Its answer may yet come, over whichever connection."""
        self._waiting.discard(number)
        self._unanswered[number] = None
        if len(self._unanswered) > _REMEMBERED:
            del self._unanswered[next(iter(self._unanswered))]

    def is_known(self, number: int) -> bool:
        """Whether a request of ours bears it, of the last or of those that were not answered."""
        is_recent = (self._last - number) % _NUMBERS < min(self._sent, _REMEMBERED)
        return is_recent or number in self._unanswered or number in self._waiting


_BY_HOST: "WeakValueDictionary[str, TransactionNumbers]" = WeakValueDictionary()


def numbers_of(host: str) -> TransactionNumbers:
    """The same for every link to that host, whatever the port, for as long as there is one."""
    numbers = _BY_HOST.get(host.casefold())
    if numbers is None:
        numbers = _BY_HOST[host.casefold()] = TransactionNumbers()
    return numbers
