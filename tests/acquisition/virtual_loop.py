"""An event loop whose time is the test's own: it passes at once to the next moment at which something is to happen."""

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

__all__ = ["LoopClock", "VirtualLoop", "run_virtually"]

EPOCH_NS = 1_790_000_000_000_000_000

Result = TypeVar("Result")


class _Passing(selectors.SelectSelector):
    """Waits for nothing: lets as much time pass as it was to wait."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready:
            assert timeout is not None, "nothing will ever happen any more"
            self.now_s += max(timeout, 0.0)
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self._passing = _Passing()
        super().__init__(self._passing)

    def time(self) -> float:
        return self._passing.now_s


class LoopClock:
    """The clock of the loop that runs: monotonic from 0, UTC from an arbitrary instant."""

    def utc_ns(self) -> int:
        return EPOCH_NS + self.monotonic_ns()

    def monotonic_ns(self) -> int:
        return round(asyncio.get_running_loop().time() * 1e9)


def run_virtually(main: Callable[[], Coroutine[Any, Any, Result]]) -> Result:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main())
