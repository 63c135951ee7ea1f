"""RTU and ASCII, on a serial line or through TCP: the I/O and the timers around the machine that makes the exchanges.

What is sent when, and whose an answer is, is decided in `exchange_machine.py`; here is nothing but bytes and waiting.
"""

import asyncio
import time
from collections.abc import Callable
from typing import Protocol

from gateway.acquisition.links.answer_doubts import Units
from gateway.acquisition.links.exchange_machine import ExchangeMachine, State
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.precise_timer import PreciseTimer
from gateway.acquisition.links.quiet import Timing
from gateway.errors import NoConnectionError
from gateway.modbus.framing import Framing, ReadRequest
from gateway.modbus.tables import Table

__all__ = ["Channel", "HalfDuplexLink", "MomentTimer"]


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


class MomentTimer(Protocol):
    """Calls one function at a moment of the link's clock, not before and hardly after it. See `PreciseTimer`."""

    def call_at(self, when_s: float, call: Callable[[], None]) -> None: ...

    def cancel(self) -> None: ...

    def close(self) -> None: ...


class HalfDuplexLink:
    """A `Link`. Reads that are asked for at the same time are made one after another."""

    def __init__(
        self,
        channel: Channel,
        framing: Framing,
        timing: Timing,
        units: Units | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        make_timer: Callable[[], MomentTimer] = PreciseTimer,
    ) -> None:
        """`units`: what is known of the units, where another way leads to the same ones. `clock` is monotonic, in s."""
        self._channel = channel
        self._machine = ExchangeMachine(framing, timing, Units() if units is None else units)
        self._clock = clock
        self._make_timer = make_timer
        self._turn = asyncio.Lock()
        self._end: NoConnectionError | None = NoConnectionError("not connected")
        self._ended_early: list[NoConnectionError] = []
        """Why the connection broke before `connect` could say that it is there."""
        self._gap: MomentTimer | None = None
        self._alarm: asyncio.TimerHandle | None = None
        self._alarm_s = 0.0
        self._reading: asyncio.Future[tuple[int, ...]] | None = None

    @property
    def connected(self) -> bool:
        return self._end is None

    @property
    def counters(self) -> LinkCounters:
        return self._machine.counters

    async def connect(self, timeout_s: float) -> None:
        await self.close()
        self._ended_early.clear()
        try:
            async with asyncio.timeout(timeout_s):
                await self._channel.open(self._bytes, self._gone)
        except TimeoutError as exc:
            raise NoConnectionError(f"no connection within {timeout_s:g} s") from exc
        if self._ended_early:
            await self._channel.close()
            raise self._ended_early[0]
        self._gap = self._make_timer()
        self._end = None
        self._machine.opened(self._clock())

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        """See `Link`. `timeout_s` begins when the request has been sent; where the speed of the wire is known, the time
        that request and answer need on it is added. A read that must first prove that the line is in step takes another
        exchange or two. After a time-out or a bad frame the read ends when the line is settled again, which is charged
        to the unit that caused it."""
        request = ReadRequest.checked(unit, table, address, count)
        async with self._turn:
            if self._end is not None:
                raise NoConnectionError(str(self._end))
            reading: asyncio.Future[tuple[int, ...]] = asyncio.get_running_loop().create_future()
            self._reading = reading
            self._machine.ask(request, timeout_s, self._clock())
            self._follow()
            try:
                return await reading
            except asyncio.CancelledError:
                if reading.done() and not reading.cancelled():
                    reading.exception()  # seen, so that the loop does not report it as lost
                self._machine.abandon(self._clock())
                self._follow()
                raise
            finally:
                self._reading = None

    async def close(self) -> None:
        self._gone(NoConnectionError("the connection was closed here"))
        await self._channel.close()

    # What the channel and the timers call

    def _bytes(self, data: bytes) -> None:
        self._machine.received(data, self._clock())
        self._follow()

    def _passed(self) -> None:
        self._machine.passed(self._clock())
        self._follow()

    def _rang(self) -> None:
        self._alarm = None
        self._passed()

    def _gone(self, error: NoConnectionError) -> None:
        """Only the first reason counts."""
        if self._end is not None:
            self._ended_early.append(error)
            return
        self._end = error
        if self._gap is not None:
            self._gap.close()
            self._gap = None
        if self._alarm is not None:
            self._alarm.cancel()
            self._alarm = None
        self._machine.lost(error)
        self._follow()

    # What the machine wants

    def _follow(self) -> None:
        machine = self._machine
        request, machine.to_send = machine.to_send, None
        if request is not None:
            try:
                self._channel.transmit(request)
                machine.counters.sent[request.table.read_function] += 1
            except NoConnectionError as exc:
                self._gone(exc)
                return
        outcome, machine.outcome = machine.outcome, None
        if outcome is not None and self._reading is not None and not self._reading.done():
            if isinstance(outcome, tuple):
                self._reading.set_result(outcome)
            else:
                self._reading.set_exception(outcome)
        if machine.wants_new_connection:
            machine.wants_new_connection = False
            self._gone(NoConnectionError("answers stay behind their requests: the connection is made anew"))
            return
        self._set_timer()

    def _set_timer(self) -> None:
        """An alarm that rings too soon looks again: so a read that is answered in time sets none."""
        when_s = self._machine.deadline_s
        if when_s is None:
            return
        if self._machine.state is State.GAP and self._gap is not None:
            self._gap.call_at(when_s, self._passed)
        elif self._alarm is None or self._alarm_s > when_s:
            if self._alarm is not None:
                self._alarm.cancel()
            wait_s = max(0.0, when_s - self._clock())
            self._alarm = asyncio.get_running_loop().call_later(wait_s, self._rang)
            self._alarm_s = when_s
