"""One line: one task that owns one link, polls its instruments in turn and hands their readings on."""

import asyncio
import random
from collections.abc import Awaitable, Callable, Sequence

import structlog

from gateway.acquisition.instrument import BlockReader, Instrument
from gateway.acquisition.link import GATEWAY_EXCEPTIONS, Link
from gateway.acquisition.modbus_tcp import ModbusTcpLink
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.schedule import Schedule, Task
from gateway.acquisition.statistics import LineStatistics
from gateway.clock import Clock
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.records import InstrumentStatus, LineStatus, Reading, Reason, ReasonCode

__all__ = ["Line"]

LINE_CONNECTED = "line.connected"
LINE_UNREACHABLE = "line.unreachable"
LINE_LOST = "line.lost"
INSTRUMENT_FOUND = "instrument.found"
INSTRUMENT_LOST = "instrument.lost"
INSTRUMENT_INCOMPLETE = "instrument.incomplete"

_NS_PER_S = 1_000_000_000

_SILENT_IN_A_ROW = 3
"""Requests in a row to which nothing on the line answered, after which the connection itself is doubted and remade."""
_LONGEST_SILENCE = 96
"""That number doubles while a new connection brings no answer either, up to this."""

_REASON_CODES: dict[type[LinkError], ReasonCode] = {
    NoConnectionError: ReasonCode.NO_CONNECTION,
    NoAnswerError: ReasonCode.NO_ANSWER,
    BadFrameError: ReasonCode.BAD_FRAME,
    DeviceExceptionError: ReasonCode.DEVICE_EXCEPTION,
}


class Line:
    """Polls the instruments of one line for as long as `run` runs.

    `sink` gets all readings of one instrument in one call, in the order of its blocks; it must not block. Faults of
    the wire never leave `run`: they become Bad readings, counts and, when something changes, log lines.
    """

    def __init__(
        self,
        plan: LinePlan,
        sink: Callable[[Sequence[Reading]], None],
        *,
        clock: Clock,
        random: random.Random,
        open_link: Callable[[str, int], Link] = ModbusTcpLink,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._plan = plan
        self._sink = sink
        self._clock = clock
        self._sleep = sleep
        self._link = open_link(plan.host, plan.port)
        self._instruments = tuple(Instrument(instrument, plan.name) for instrument in plan.instruments)
        self._schedule = Schedule(
            [instrument.period_s for instrument in plan.instruments],
            plan.backoff_first_s,
            plan.backoff_longest_s,
            random,
        )
        self._statistics = LineStatistics(plan.name)
        self._peer = f"{plan.host}:{plan.port}"
        self._was_connected = False
        self._failed_connects = 0
        self._losses = 0
        self._silent_in_a_row = 0
        self._silence_limit = _SILENT_IN_A_ROW
        self._no_connection = Reason(ReasonCode.NO_CONNECTION, f"line {plan.name} has not been connected yet")
        self._log = structlog.get_logger().bind(line=plan.name, peer=self._peer)

    async def run(self) -> None:
        """Polls until cancelled. Only CancelledError and mistakes in the program leave it."""
        if not self._instruments:
            return
        self._schedule.start(self._clock.monotonic_ns())
        try:
            while True:
                await self._step()
        finally:
            await self._link.close()

    def status(self) -> LineStatus:
        return self._statistics.record(self._link.connected, self._link.counters)

    def instrument_statuses(self) -> list[InstrumentStatus]:
        """In the order of the plan."""
        return [instrument.statistics.record() for instrument in self._instruments]

    async def _step(self) -> None:
        now_ns = self._clock.monotonic_ns()
        connected = self._link.connected
        if self._was_connected and not connected:
            self._connection_lost(now_ns, "the peer closed the connection")
        turn = self._schedule.next(now_ns, connected)
        if turn.task is Task.WAIT:
            await self._sleep((turn.at_ns - now_ns) / _NS_PER_S)
        elif turn.task is Task.CONNECT:
            await self._connect()
        elif turn.task is Task.REPORT:
            instrument = self._instruments[turn.instrument]
            instrument.left_out()
            reason = None if connected else self._no_connection
            self._sink(instrument.readings_without(reason, self._clock.utc_ns(), now_ns))
        else:
            if turn.task is Task.POLL:
                self._statistics.lateness.add(now_ns - turn.at_ns)
            await self._poll(turn.instrument)

    # The connection

    async def _connect(self) -> None:
        try:
            await self._link.connect(self._plan.connect_timeout_s)
        except LinkError as exc:
            self._connect_failed(exc)
            return
        if self._failed_connects or not self._losses or _is_power_of_two(self._losses):
            self._log.info(LINE_CONNECTED, failed_attempts=self._failed_connects, losses=self._losses)
        if self._failed_connects:
            self._schedule.start(self._clock.monotonic_ns())
        self._was_connected = True
        self._failed_connects = 0
        self._silent_in_a_row = 0

    def _connect_failed(self, exc: LinkError) -> None:
        now_ns = self._clock.monotonic_ns()
        self._schedule.connect_failed(now_ns)
        self._failed_connects += 1
        self._no_connection = Reason(
            ReasonCode.NO_CONNECTION, f"line {self._plan.name} ({self._peer}) is not connected: {exc}"
        )
        if self._failed_connects == 1:
            self._log.warning(LINE_UNREACHABLE, cause=str(exc))
            self._schedule.start(now_ns)  # whose turns now say that nothing has a value

    def _connection_lost(self, now_ns: int, cause: str) -> None:
        self._note_loss(cause)
        self._schedule.connection_lost(now_ns)

    async def _remake_silent_connection(self, now_ns: int) -> None:
        """A half-open connection looks like silent instruments: when nothing answers at all, try a new one.

        When that changed nothing, twice the silence is waited for before the next, so that dead instruments alone on
        a line do not cause reconnects for ever.
        """
        await self._link.close()
        self._note_loss(f"nothing answered {self._silent_in_a_row} requests in a row")
        self._silence_limit = min(2 * self._silence_limit, _LONGEST_SILENCE)
        self._schedule.connection_doubted(now_ns)

    def _note_loss(self, cause: str) -> None:
        self._was_connected = False
        self._losses += 1
        self._no_connection = Reason(
            ReasonCode.NO_CONNECTION, f"line {self._plan.name} ({self._peer}) lost its connection: {cause}"
        )
        # A peer that closes after every answer is served without filling the log: the 1st, 2nd, 4th, 8th ... is said.
        if _is_power_of_two(self._losses):
            self._log.warning(LINE_LOST, cause=cause, losses=self._losses)

    # The instruments

    async def _poll(self, index: int) -> None:
        instrument = self._instruments[index]
        readings: list[Reading] = []
        failure: Reason | None = None
        given_up = False
        spent_ns = 0
        for block in instrument.blocks:
            if given_up and failure is not None:
                readings.extend(block.failed(failure, self._clock.utc_ns(), self._clock.monotonic_ns()))
                continue
            begun_ns = self._clock.monotonic_ns()
            try:
                words = await self._link.read(
                    instrument.plan.unit, block.table, block.address, block.count, instrument.plan.timeout_s
                )
            except LinkError as exc:
                now_ns = self._clock.monotonic_ns()
                failure = self._judge(exc, instrument, block)
                given_up = _ends_the_round(exc) or not self._link.connected
                readings.extend(block.failed(failure, self._clock.utc_ns(), now_ns))
            else:
                now_ns = self._clock.monotonic_ns()
                utc_ns = self._clock.utc_ns()
                instrument.statistics.answered(now_ns - begun_ns, utc_ns)
                self._heard()
                readings.extend(block.decode(words, utc_ns, now_ns))
            spent_ns = now_ns - begun_ns
            self._statistics.busy_ns += spent_ns
        now_ns = self._clock.monotonic_ns()
        if given_up:
            self._schedule.unanswered(index, now_ns, spent_ns)
        else:
            self._schedule.answered(index)
        self._settle(instrument, failure, given_up)
        self._sink(instrument.judged(readings))
        if not self._link.connected:
            self._connection_lost(now_ns, failure.text if failure else "the peer closed the connection")
        elif self._silent_in_a_row >= self._silence_limit:
            await self._remake_silent_connection(now_ns)

    def _judge(self, exc: LinkError, instrument: Instrument, block: BlockReader) -> Reason:
        """Counts a failed request and says what became of it."""
        code = _REASON_CODES[type(exc)]
        instrument.statistics.failed(code)
        if isinstance(exc, NoAnswerError):
            self._silent_in_a_row += 1
        elif not isinstance(exc, NoConnectionError):
            self._heard()
        return Reason(code, f"{instrument.name}: {exc} (reading {block.text})")

    def _heard(self) -> None:
        """The connection serves: something came over it, if only a refusal."""
        self._silent_in_a_row = 0
        self._silence_limit = _SILENT_IN_A_ROW
        self._schedule.connection_served()

    def _settle(self, instrument: Instrument, failure: Reason | None, given_up: bool) -> None:
        """Keeps how the poll ended, and logs it when that has changed. A lost line is not said again by each."""
        if failure is None:
            event = INSTRUMENT_FOUND
            if instrument.announced != event:
                self._log.info(event, instrument=instrument.tag, failed_polls=instrument.failed_polls)
                instrument.announced = event
            instrument.succeeded()
            return
        event = INSTRUMENT_LOST if given_up else INSTRUMENT_INCOMPLETE
        if instrument.announced != event and failure.code is not ReasonCode.NO_CONNECTION:
            self._log.warning(event, instrument=instrument.tag, reason=failure.code.value, cause=failure.text)
            instrument.announced = event
        instrument.failed(failure)


def _ends_the_round(exc: LinkError) -> bool:
    """Whether the other blocks of the instrument need not be tried: it is silent, or a gateway says that it is."""
    if isinstance(exc, DeviceExceptionError):
        return exc.code in GATEWAY_EXCEPTIONS
    return isinstance(exc, NoAnswerError | NoConnectionError)


def _is_power_of_two(number: int) -> bool:
    return number > 0 and number & (number - 1) == 0
