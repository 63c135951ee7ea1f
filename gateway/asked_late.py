"""A sequence that is made when somebody first looks into it."""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar, overload

__all__ = ["AskedLate"]

Told = TypeVar("Told", covariant=True)


class AskedLate(Sequence[Told]):
    """What `ask` gives, asked once.

    Of the present state most who look want a part, several times a second, and to make all of it takes a millisecond
    or two of a large site each time, in which no instrument is polled.
    """

    __slots__ = ("_ask", "_told")

    def __init__(self, ask: Callable[[], Sequence[Told]]) -> None:
        self._ask: Callable[[], Sequence[Told]] | None = ask
        self._told: Sequence[Told] = ()

    def _all(self) -> Sequence[Told]:
        if self._ask is not None:
            self._told, self._ask = self._ask(), None
        return self._told

    @overload
    def __getitem__(self, index: int) -> Told: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[Told]: ...

    def __getitem__(self, index: int | slice) -> Told | Sequence[Told]:
        return self._all()[index]

    def __iter__(self) -> Iterator[Told]:
        return iter(self._all())

    def __len__(self) -> int:
        return len(self._all())
