"""A timer finer than the event loop's own, which rounds to a millisecond: the silence between RTU frames is not longer.

On Linux a timerfd, watched by the loop; elsewhere the loop's timer. No thread. A process that sleeps is woken some
tens of microseconds late; the timer learns how many, has itself woken so much earlier, and waits out what is left.
"""

import asyncio
import ctypes
import os
import sys
import time
from collections.abc import Callable

__all__ = ["PreciseTimer"]

_CLOCK_MONOTONIC = 1
_FLAGS = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)  # TFD_NONBLOCK | TFD_CLOEXEC, timerfd_create(2)
_NS_PER_S = 1_000_000_000
_LATENESS_WEIGHT = 0.05
"""Of the newest lateness in the one that is expected."""
_LONGEST_WAIT_S = 0.0001
"""No more than this is waited out, so that a busy machine does not cost the loop more."""


class _Expiry(ctypes.Structure):
    """struct itimerspec: the period, which stays 0, and the delay."""

    _fields_ = (
        ("period_s", ctypes.c_long),
        ("period_ns", ctypes.c_long),
        ("delay_s", ctypes.c_long),
        ("delay_ns", ctypes.c_long),
    )


_LIBC = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None


class PreciseTimer:
    """Calls one function once, at a moment of `time.monotonic()`; never before it. Belongs to one event loop."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._call: Callable[[], None] | None = None
        self._coarse: asyncio.TimerHandle | None = None
        self._when_s = 0.0
        self._set_for_s = 0.0
        self._lateness_s = 0.0
        """How much later than set the timer is expected to fire."""
        self._fd = -1
        if _LIBC is not None:
            self._fd = _LIBC.timerfd_create(_CLOCK_MONOTONIC, _FLAGS)
        if self._fd >= 0:
            self._loop.add_reader(self._fd, self._expired)

    def call_at(self, when_s: float, call: Callable[[], None]) -> None:
        """Replaces a call that is still to come."""
        self.cancel()
        now_s = time.monotonic()
        self._when_s = when_s
        self._set_for_s = max(now_s, when_s - self._lateness_s)
        self._call = call
        if self._fd < 0 or _LIBC is None:
            # One tick more, because a loop may round down.
            self._coarse = self._loop.call_later(max(0.0, when_s - now_s) + 0.001, self._expired)
            return
        seconds, nanoseconds = divmod(max(1, int((self._set_for_s - now_s) * _NS_PER_S)), _NS_PER_S)
        self._set(seconds, nanoseconds)

    def cancel(self) -> None:
        self._call = None
        if self._coarse is not None:
            self._coarse.cancel()
            self._coarse = None
        elif self._fd >= 0:
            self._set(0, 0)

    def close(self) -> None:
        """Frees the descriptor. Closing twice does no harm."""
        self.cancel()
        if self._fd >= 0:
            self._loop.remove_reader(self._fd)
            os.close(self._fd)
            self._fd = -1

    def _set(self, seconds: int, nanoseconds: int) -> None:
        if _LIBC is not None:
            _LIBC.timerfd_settime(self._fd, 0, ctypes.byref(_Expiry(0, 0, seconds, nanoseconds)), None)

    def _expired(self) -> None:
        if self._fd >= 0:
            try:
                os.read(self._fd, 8)
            except BlockingIOError:
                return  # set anew since it fired: not yet the moment
        call, self._call = self._call, None
        if call is not None:
            self._wait_out()
            call()

    def _wait_out(self) -> None:
        now_s = time.monotonic()
        late_s = now_s - self._set_for_s
        while now_s < self._when_s:
            now_s = time.monotonic()
        expected_s = self._lateness_s + _LATENESS_WEIGHT * (late_s - self._lateness_s)
        self._lateness_s = min(_LONGEST_WAIT_S, max(0.0, expected_s))
