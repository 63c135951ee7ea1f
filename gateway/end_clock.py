"""The UTC by which ends that people gave come: a clock that jumps ends nothing until somebody confirms what it says.

A jump shows against the steady clock. From then on ends come as if it had not been, which is what whoever gave them
meant; confirmed it is by time synchronisation since then, or by a person who starts the gateway anew. What happened
before this process began nobody can tell: it takes the clock as it finds it.
"""

from collections.abc import Callable

import structlog

from gateway.clock import Clock

__all__ = ["EndClock"]

CLOCK_DOUBTED = "clock.doubted"
CLOCK_CONFIRMED = "clock.confirmed"

_JUMP_NS = 300_000_000_000
"""Less than this a time server sets right in passing (common practice); nor does a value end much too early by it."""
_JUST_BEFORE_NS = 5_000_000_000
"""A jump is seen this much after it was made, at most: whoever made it may have said before that it is right."""
_LOGGER = structlog.get_logger("gateway.daemon")


class EndClock:
    """`utc_ns` and `jump_s` at any time; `look` now and then."""

    def __init__(self, clock: Clock, synchronised_ns: Callable[[], int | None] = lambda: None) -> None:
        """`synchronised_ns`: when a time server last set the clock right, UTC; None where nobody can tell."""
        self._clock = clock
        self._synchronised_ns = synchronised_ns
        self._offset_ns = self._offset_now_ns()
        self._jump_seen_ns: int | None = None
        """UTC as it has been since; None: it has not jumped."""

    def utc_ns(self) -> int:
        """What UTC says, or would say had it not jumped."""
        monotonic_ns = self._clock.monotonic_ns()
        utc_ns = self._clock.utc_ns()
        trusted_ns = monotonic_ns + self._offset_ns
        return utc_ns if abs(utc_ns - trusted_ns) <= _JUMP_NS else trusted_ns

    @property
    def jump_s(self) -> float:
        """How far UTC has jumped without being confirmed, forward above zero; 0: it has not."""
        jump_ns = self._offset_now_ns() - self._offset_ns
        return jump_ns / 1e9 if abs(jump_ns) > _JUMP_NS else 0.0

    def look(self) -> None:
        """Follow a clock that drifts, or is set a little, and one that is confirmed."""
        jump_s = self.jump_s
        if jump_s == 0.0:
            if self._jump_seen_ns is not None:
                _LOGGER.warning(CLOCK_CONFIRMED, by="it was set back")
            self._trust()
        elif self._jump_seen_ns is None:
            self._jump_seen_ns = self._clock.utc_ns()
            hint = "what people entered ends by the steady clock; where this time is right, start the gateway anew"
            _LOGGER.error(CLOCK_DOUBTED, jump_s=round(jump_s, 3), hint=hint)
        if self._jump_seen_ns is not None:
            # Whatever it is by now: another jump may have followed.
            synchronised_ns = self._synchronised_ns()
            since_ns = self._jump_seen_ns - _JUST_BEFORE_NS
            if synchronised_ns is not None and since_ns <= synchronised_ns <= self._clock.utc_ns():
                _LOGGER.warning(CLOCK_CONFIRMED, by="time synchronisation")
                self._trust()

    def _trust(self) -> None:
        self._offset_ns = self._offset_now_ns()
        self._jump_seen_ns = None

    def _offset_now_ns(self) -> int:
        return self._clock.utc_ns() - self._clock.monotonic_ns()
