"""What two servers are sent of the same record, made once: to write a sheet out costs as much as to calculate it."""

from collections.abc import Callable
from typing import Generic, TypeVar

from gateway.payload.history import history_json
from gateway.payload.writer import inventory_json

__all__ = ["MadeOnce", "history_message", "inventory_message"]

_AT_HAND = 128
"""Messages: some hundreds of kilobytes. A server that is further behind has its own made."""
T = TypeVar("T")


class MadeOnce(Generic[T]):
    """Makes a message of a record, unless the very same object was among the last. For one thread."""

    def __init__(self, make: Callable[[T], bytes], at_hand: int = _AT_HAND) -> None:
        self._make = make
        self._at_hand = at_hand
        self._made: dict[int, tuple[T, bytes]] = {}
        """By the address of the record, which is held here so that no other can have it."""

    def __call__(self, record: T) -> bytes:
        """Raises what making it raises."""
        known = self._made.get(id(record))
        if known is not None:
            return known[1]
        message = self._make(record)
        if len(self._made) >= self._at_hand:
            del self._made[next(iter(self._made))]
        self._made[id(record)] = record, message
        return message


inventory_message = MadeOnce(inventory_json)
history_message = MadeOnce(history_json)
