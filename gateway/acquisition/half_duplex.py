"""One exchange at a time on a wire without transaction identifiers: RTU and ASCII, on a serial line or through TCP.

Such an answer does not say which request it belongs to. What keeps a late one from being taken for the next request's:
unit, function and byte count must be those that were asked for; and after a time-out, a cancelled read or a bad frame
nothing is sent before the line has been silent for a while that is learned from the unit's slowest answer. What
arrives meanwhile is dropped and counted.

An answer that is later than that, of the same unit, function and length, cannot be told apart from the awaited one.
So after a request that was not answered the first answer that looks like its own is dropped, what else comes is waited
out, and it is asked again: answers that something had kept come one after another.

What remains: kept answers that come further apart than the line is waited for to be silent. Give slow instruments a
`timeout` longer than their slowest answer; then none comes late at all.
"""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from gateway.acquisition.framing import Framing, ReadRequest
from gateway.acquisition.link import LinkCounters
from gateway.acquisition.precise_timer import PreciseTimer
from gateway.acquisition.register_map import Table
from gateway.acquisition.unanswered import Unanswered
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError

__all__ = ["Channel", "HalfDuplexLink", "Timing"]

_FORGETTING = 0.999
"""The slowest answer in mind fades by this with each further one, so that one slow moment does not last for ever."""
_MARGIN = 2.0
"""The line must be silent for so many times the slowest answer."""
_PATIENCE = 3.0
"""In longest quiet times: a line that has not been silent by then belongs to another master, or is broken."""
_BURST_S = 0.02
"""Bytes that follow later than this are counted as another frame."""
_KEPT = 600
"""Bytes of a bad frame that are kept to say what they look like; no frame is longer."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Times that follow from the wire, and the bounds of the quiet time, all in seconds."""

    silence_s: float = 0.0
    """Between the last byte heard and the next request."""
    character_s: float = 0.0
    """One character on the wire; 0 where that is not known."""
    quiet_shortest_s: float = 0.05
    quiet_longest_s: float = 2.0
    """Also taken for a unit that has never answered."""


class Channel(Protocol):
    """Bytes in and out. `on_bytes` and `on_lost` are called from the event loop, the latter once."""

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        """Raises NoConnectionError. The caller bounds the time; nothing stays open when this does not end well."""
        ...

    def transmit(self, request: ReadRequest) -> None:
        """Raises NoConnectionError."""
        ...

    async def close(self) -> None:
        """At once; nothing is called afterwards. Closing twice does no harm."""
        ...


class _Exchange:
    """A request and what has come since it was sent."""

    __slots__ = ("answered", "future", "received", "request", "sent_s", "timeout_s")

    def __init__(self, request: ReadRequest, timeout_s: float) -> None:
        self.request = request
        self.timeout_s = timeout_s
        self.sent_s: float | None = None
        self.received = b""
        self.answered = False
        self.future: asyncio.Future[tuple[int, ...] | None] = asyncio.get_running_loop().create_future()
        """None: the line stirred before the request was sent."""

    def fail(self, error: LinkError) -> None:
        if not self.future.done():
            self.future.set_exception(error)


class HalfDuplexLink:
    """A `Link`. Reads that are asked for at the same time are made one after another."""

    def __init__(self, channel: Channel, framing: Framing, timing: Timing) -> None:
        self._channel = channel
        self._framing = framing
        self._timing = timing
        self._counters = LinkCounters()
        self._turn = asyncio.Lock()
        self._end: NoConnectionError | None = NoConnectionError("not connected")
        self._ended_early: list[NoConnectionError] = []
        """Why the connection broke before `connect` could say that it is there."""
        self._lost = asyncio.Event()
        self._timer: PreciseTimer | None = None
        self._exchange: _Exchange | None = None
        self._owed: _Exchange | None = None
        """A request whose answer may yet come and is then dropped."""
        self._heard_s = 0.0
        self._frame_over = True
        """The next unexpected byte begins a frame, however soon it follows."""
        self._quiet_from_s = 0.0
        self._quiet_s = 0.0
        """How long from `_quiet_from_s` on the line must be silent before the next request; 0 where it need not."""
        self._slowest_s: dict[int, float] = {}
        """By unit: its slowest answer, late ones included."""
        self._asked_s: dict[int, float] = {}
        """By unit: when it was last sent a request."""
        self._unanswered = Unanswered()

    @property
    def connected(self) -> bool:
        return self._end is None

    @property
    def counters(self) -> LinkCounters:
        return self._counters

    async def connect(self, timeout_s: float) -> None:
        await self.close()
        self._lost.clear()
        self._ended_early.clear()
        self._unsettle(self._timing.quiet_shortest_s)  # of what went over the wire before, nothing is known
        try:
            async with asyncio.timeout(timeout_s):
                await self._channel.open(self._bytes, self._gone)
        except TimeoutError as exc:
            raise NoConnectionError(f"no connection within {timeout_s:g} s") from exc
        if self._ended_early:
            await self._channel.close()
            raise self._ended_early[0]
        self._timer = PreciseTimer()
        self._end = None

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        """See `Link`. `timeout_s` begins when the request has been sent; where the speed of the wire is known, the time
        that request and answer need on it is added. After a time-out or a bad frame the read ends when the line is
        settled again, which is charged to the unit that caused it."""
        request = ReadRequest.checked(unit, table, address, count)
        async with self._turn:
            while True:
                if self._end is not None:
                    raise NoConnectionError(str(self._end))
                await self._settle()
                try:
                    values = await self._attempt(request, timeout_s)
                except DeviceExceptionError:
                    if self._is_answered(request, refused=True):
                        raise
                else:
                    if values is not None and self._is_answered(request, refused=False):
                        return values

    async def close(self) -> None:
        self._gone(NoConnectionError("the connection was closed here"))
        await self._channel.close()

    def _is_answered(self, request: ReadRequest, *, refused: bool) -> bool:
        """Whether what has come is the answer beyond doubt; where not, whatever else comes is waited out."""
        is_answer = self._unanswered.is_answer_to(request, refused=refused)
        if not is_answer:
            self._unsettle(self._quiet_after(request.unit))
        return is_answer

    # One exchange

    async def _attempt(self, request: ReadRequest, timeout_s: float) -> tuple[int, ...] | None:
        exchange = self._exchange = _Exchange(request, timeout_s)
        deadline: asyncio.TimerHandle | None = None
        try:
            self._launch_after_silence(exchange)
            bytes_on_wire = len(self._framing.request_frame(request)) + self._framing.answer_size(request)
            wait_s = self._timing.silence_s + timeout_s + bytes_on_wire * self._timing.character_s
            deadline = asyncio.get_running_loop().call_later(wait_s, self._expire, exchange)
            return await exchange.future
        except asyncio.CancelledError:
            self._leave(exchange)
            raise
        except (NoAnswerError, BadFrameError) as exc:
            self._exchange = None
            self._unanswered.add(request)
            error = await self._settled_after(exc, exchange)
            if error is exc:
                raise
            raise error from exc
        finally:
            self._exchange = None
            if deadline is not None:
                deadline.cancel()
            if self._timer is not None:
                self._timer.cancel()

    def _launch_after_silence(self, exchange: _Exchange) -> None:
        silent_s = self._heard_s + self._timing.silence_s
        if time.monotonic() >= silent_s or self._timer is None:
            self._launch(exchange)
        else:
            self._timer.call_at(silent_s, lambda: self._launch(exchange))

    def _launch(self, exchange: _Exchange) -> None:
        if exchange.future.done():
            return
        if self._quiet_s:
            exchange.future.set_result(None)
            return
        exchange.sent_s = self._asked_s[exchange.request.unit] = time.monotonic()
        try:
            self._channel.transmit(exchange.request)
        except NoConnectionError as exc:
            self._gone(exc)

    def _expire(self, exchange: _Exchange) -> None:
        if exchange.received:
            wanted = self._framing.answer_size(exchange.request)
            exchange.fail(BadFrameError(f"the answer broke off after {len(exchange.received)} of {wanted} bytes"))
        else:
            exchange.fail(NoAnswerError(f"no answer within {exchange.timeout_s:g} s"))

    def _leave(self, exchange: _Exchange) -> None:
        """The read was cancelled: its answer, if it can still come, is not to be another's."""
        if exchange.sent_s is not None and not exchange.answered:
            self._owed = exchange
            self._unanswered.add(exchange.request)
            self._unsettle(self._quiet_after(exchange.request.unit))

    async def _settled_after(self, error: LinkError, exchange: _Exchange) -> LinkError:
        """Waits until the line is silent again, then says what went wrong, all bytes considered."""
        self._unsettle(self._quiet_after(exchange.request.unit))
        self._owed = exchange
        is_silence = isinstance(error, NoAnswerError)
        if not is_silence:
            exchange.sent_s = None  # its answer came, though a bad one: what follows is not late
        seen = len(exchange.received)
        with suppress(BadFrameError, NoConnectionError):
            await self._settle()
        if not is_silence and len(exchange.received) > seen:
            return BadFrameError(self._framing.explain(exchange.received, exchange.request))
        return error

    # The line

    async def _settle(self) -> None:
        """Waits until the line has been silent for long enough. Raises BadFrameError where it never is."""
        patience_s = time.monotonic() + _PATIENCE * self._timing.quiet_longest_s
        while self._quiet_s:
            wait_s = self._quiet_from_s + self._quiet_s - time.monotonic()
            if wait_s <= 0.0:
                self._quiet_s = 0.0
                self._owed = None
            elif time.monotonic() + wait_s > patience_s:
                raise BadFrameError("the line does not fall silent: another master is on it, or noise")
            else:
                with suppress(TimeoutError):
                    async with asyncio.timeout(wait_s):
                        await self._lost.wait()
                if self._end is not None:
                    raise NoConnectionError(str(self._end))

    def _unsettle(self, quiet_s: float) -> None:
        self._quiet_from_s = time.monotonic()
        self._quiet_s = max(self._quiet_s, quiet_s)

    def _quiet_after(self, unit: int) -> float:
        timing = self._timing
        slowest_s = self._slowest_s.get(unit, timing.quiet_longest_s)
        return min(timing.quiet_longest_s, max(timing.quiet_shortest_s, _MARGIN * slowest_s))

    def _learn(self, unit: int, answer_s: float) -> None:
        self._slowest_s[unit] = max(answer_s, _FORGETTING * self._slowest_s.get(unit, 0.0))

    # What the channel calls

    def _bytes(self, data: bytes) -> None:
        now_s = time.monotonic()
        follows_s, self._heard_s = now_s - self._heard_s, now_s
        exchange = self._exchange
        if exchange is None or exchange.sent_s is None or exchange.future.done():
            self._unexpected(data, now_s, self._frame_over or follows_s > _BURST_S)
            self._frame_over = False
            return
        self._frame_over = False
        exchange.received += data
        frame = self._framing.request_frame(exchange.request)
        if exchange.received.startswith(frame):
            # A two-wire adapter that hears itself. No answer begins with the whole request.
            exchange.received = exchange.received[len(frame) :]
        elif frame.startswith(exchange.received):
            return
        try:
            values = self._framing.answer(exchange.received, exchange.request)
        except LinkError as exc:
            exchange.answered = not isinstance(exc, BadFrameError)
            exchange.fail(exc)
            other = self._framing.sender(exchange.received)
            if not exchange.answered and other != exchange.request.unit and other in self._asked_s:
                self._learn(other, now_s - self._asked_s[other])  # it may well be that unit, later than it was given
        else:
            if values is None:
                return
            exchange.answered = True
            exchange.future.set_result(values)
        self._frame_over = exchange.answered
        if exchange.answered:
            self._learn(exchange.request.unit, now_s - exchange.sent_s)

    def _unexpected(self, data: bytes, now_s: float, is_new: bool) -> None:
        owed = self._owed
        if owed is not None and owed.sent_s is not None:
            self._counters.late_answers += 1
            self._learn(owed.request.unit, now_s - owed.sent_s)
            owed.sent_s = None
            self._unanswered.pays(owed.request.unit)
        elif is_new and self._unanswered.pays(self._framing.sender(data)):
            self._counters.late_answers += 1
        elif is_new:
            self._counters.unsolicited_frames += 1
        if owed is not None:
            owed.received = (owed.received + data)[:_KEPT]
        self._unsettle(self._timing.quiet_shortest_s)

    def _gone(self, error: NoConnectionError) -> None:
        """Only the first reason counts."""
        if self._end is not None:
            self._ended_early.append(error)
            return
        self._end = error
        self._lost.set()
        if self._timer is not None:
            self._timer.close()
            self._timer = None
        if self._exchange is not None:
            self._leave(self._exchange)
            self._exchange.fail(error)
