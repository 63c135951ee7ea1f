"""One line: the one owner of one link, which polls its instruments and hands their readings on.

As many workers as requests may be under way, on all connections together, take turns: one of them at a time asks the
schedule, waits, connects or says that there is no value, until there is a request to send; then it lets the next decide
while it awaits its answer.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable, Sequence

from gateway.acquisition.links.link import DoubtedWords, Link
from gateway.acquisition.links.transports import ActivePath, active_path_of, open_link
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.polling.asking import AskingRight, Waiting, read_in_a_row
from gateway.acquisition.polling.failures import (
    CLOSED,
    Failure,
    connection_lost,
    failure_of,
    never_connected,
    not_connected,
    nothing_answered,
    request_failed,
)
from gateway.acquisition.polling.instrument import Instrument
from gateway.acquisition.polling.line_log import LineLog
from gateway.acquisition.polling.parts import Part
from gateway.acquisition.polling.round import Contact, Round
from gateway.acquisition.polling.schedule import Schedule, Task, Turn
from gateway.acquisition.polling.statistics import LineStatistics
from gateway.acquisition.signals.suspicion import SecondMasterWatch, doubted
from gateway.clock import Clock
from gateway.errors import DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.process.tasks import run_together
from gateway.records import Reading, Reason
from gateway.status import InstrumentStatus, LineStatus

__all__ = ["Line"]

_NS_PER_S = 1_000_000_000

_SILENT_IN_A_ROW = 3
"""Polls in a row to which nothing on the line answered, after which the connection itself is doubted and remade."""
_LONGEST_SILENCE = 96
"""That number doubles while a new connection brings no answer either, up to this."""


class Line:
    """Polls the instruments of one line for as long as `run` runs.

    `sink` gets all readings of one instrument in one call, in the order of its blocks; it must not block. Faults of
    the wire never leave `run`: they become Bad readings, counts and, when something changes, log lines.

    With more than one request under way the blocks of an instrument are asked together, unless it needs a pause.
    """

    def __init__(
        self,
        plan: LinePlan,
        sink: Callable[[Sequence[Reading]], None],
        *,
        clock: Clock,
        random: random.Random,
        open_link: Callable[[LinePlan], Link] = open_link,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._plan = plan
        self._sink = sink
        self._clock = clock
        self._link = open_link(plan)
        self._instruments = tuple(Instrument(instrument, plan, random) for instrument in plan.instruments)
        self._schedule = Schedule(
            [instrument.period_s for instrument in plan.instruments],
            plan.backoff_first_s,
            plan.backoff_longest_s,
            random,
        )
        self._statistics = LineStatistics(plan.name, clock.utc_ns())
        self._at_once = plan.in_flight * plan.connections
        """Requests that may be under way while every connection is open."""
        self._deciding = asyncio.Lock()
        self._freed = asyncio.Event()
        """Set when a request has ended."""
        self._waiting = Waiting(sleep)
        """Of the worker that decides, while another may yet cause something to do sooner."""
        self._outstanding = 0
        self._busy_from_ns = 0
        self._peer = str(plan.primary)
        self._was_connected = False
        self._failed_connects = 0
        self._second_master = SecondMasterWatch()
        self._silent_in_a_row = 0
        self._silence_limit = _SILENT_IN_A_ROW
        self._heard_late = 0
        """How many late answers there had been when something was last waited for in vain."""
        self._no_connection = never_connected(plan.name)
        self._log = LineLog(plan)

    async def run(self) -> None:
        """Polls until cancelled. Only CancelledError and mistakes in the program leave it."""
        if not self._instruments:
            return
        self._schedule.begin(self._clock.monotonic_ns())
        self._outstanding = 0
        for instrument in self._instruments:
            instrument.round = None
        try:
            work = self._work_in_turns if self._at_once == 1 else self._work
            workers = range(1, max(2, self._at_once) + 1)
            await run_together((f"line {self._plan.name}, worker {number}", work) for number in workers)
        finally:
            await self._link.close()

    def status(self) -> LineStatus:
        way = self._way
        return self._statistics.record(
            self._link.counters,
            self._second_master.suspicions,
            str(way.path),
            on_standby=way.on_standby,
            connections_wanted=self._plan.connections,
            connections_open=way.open_connections,
            second_master_suspected=self._second_master.suspected and not self._plan.tells_answers_apart,
        )

    @property
    def _way(self) -> ActivePath:
        return active_path_of(self._link, self._plan.primary)

    def instrument_statuses(self) -> list[InstrumentStatus]:
        """In the order of the plan."""
        return [instrument.status() for instrument in self._instruments]

    # The turns

    async def _work(self) -> None:
        while True:
            async with self._deciding:
                if self._plan.connections > 1:
                    await self._room()
                request = await self._next_request()
            await self._ask(*request)

    async def _work_in_turns(self) -> None:
        """One of two where one request may be under way: while an answer is judged, the next request is on its way."""
        while True:
            await self._deciding.acquire()
            right = AskingRight(self._deciding)
            try:
                while right.is_held:
                    await self._ask(*await self._next_request(), right)
            finally:
                right.pass_on()

    async def _room(self) -> None:
        """Until the connections that are open may bear one more request."""
        while self._outstanding >= self._plan.in_flight * max(1, self._way.open_connections):
            self._freed.clear()
            await self._freed.wait()

    async def _next_request(self) -> tuple[int, Round, Part, int]:
        """Does what there is to do without the wire until there is something to ask over it: now, the last says."""
        while True:
            now_ns = self._clock.monotonic_ns()
            connected = self._link.connected
            if self._was_connected and not connected:
                self._connection_lost(now_ns, CLOSED)
            turn = self._schedule.next(now_ns, connected)
            if turn.task is Task.WAIT:
                await self._waiting.wait((turn.at_ns - now_ns) / _NS_PER_S, alone=not self._outstanding)
            elif turn.task is Task.CONNECT:
                await self._connect()
            elif turn.task is Task.REPORT:
                self._report(self._instruments[turn.instrument], connected, now_ns)
            else:
                part = await self._open(turn, now_ns)
                if part is not None:
                    current = self._instruments[turn.instrument].round
                    assert current is not None
                    return turn.instrument, current, part, now_ns

    def _report(self, instrument: Instrument, connected: bool, now_ns: int) -> None:
        if instrument.round is not None:
            return  # its readings come with that
        instrument.left_out()
        reason = None if connected else self._no_connection
        self._sink(instrument.readings_without(reason, self._clock.utc_ns(), now_ns))

    async def _open(self, turn: Turn, now_ns: int) -> Part | None:
        """Begins a poll or goes on with it: the part to ask now, None when there is none."""
        index = turn.instrument
        instrument = self._instruments[index]
        if instrument.round is not None and instrument.round.contact is Contact.PENDING:
            await asyncio.sleep(0)  # the other worker, whose turn this gives way to, judges it now
        current = instrument.round
        if turn.task is Task.RESUME:
            if current is None:
                return None
            if not self._link.connected:
                current.cut_off(self._no_connection)
        else:
            if current is not None:
                return None  # still under way when the next was due: that one is left out
            if turn.task is Task.PROBE and instrument.late_answers != self._link.counters.late_answers:
                instrument.wait.may_be_late()
            if turn.task is Task.POLL:
                self._statistics.lateness.add(now_ns - turn.at_ns)
            doubted_too = turn.task is Task.PROBE or self._schedule.may_time_out(now_ns)
            current = instrument.round = Round(instrument.blocks, now_ns, doubted_too)
        if not current.waiting:
            if current.over:
                await self._finish(index, current, now_ns, self._clock.utc_ns())
            return None
        if instrument.rest_until_ns > now_ns:
            self._schedule.resume(index, instrument.rest_until_ns)
            return None
        part = current.waiting.pop()
        current.outstanding += 1
        if self._at_once > 1 and current.waiting and not instrument.plan.pause_s and turn.task is not Task.PROBE:
            self._schedule.resume(index, turn.at_ns)
        return part

    # The connection

    async def _connect(self) -> None:
        try:
            await self._link.connect(self._plan.connect_timeout_s)
        except LinkError as exc:
            self._connect_failed(exc)
            return
        self._log.connected(self._failed_connects)
        if self._failed_connects:
            self._schedule.start(self._clock.monotonic_ns())
        self._was_connected = True
        self._failed_connects = 0
        self._silent_in_a_row = 0
        for instrument in self._instruments:
            instrument.try_all_again()

    def _connect_failed(self, exc: LinkError) -> None:
        now_ns = self._clock.monotonic_ns()
        self._schedule.connect_failed(now_ns)
        self._failed_connects += 1
        self._no_connection = not_connected(self._plan.name, self._peer, exc)
        self._log.unreachable(str(exc))
        if self._failed_connects == 1:
            self._schedule.start(now_ns)  # whose turns now say that nothing has a value

    def _connection_lost(self, now_ns: int, cause: Reason) -> None:
        self._note_loss(cause)
        self._schedule.connection_lost(now_ns)

    async def _remake_silent_connection(self, now_ns: int) -> None:
        """A half-open connection looks like silent instruments: when nothing answers at all, try a new one.

        When that changed nothing, twice the silence is waited for before the next, so that dead instruments alone on
        a line do not cause reconnects for ever.
        """
        self._note_loss(nothing_answered(self._silent_in_a_row))
        self._silence_limit = min(2 * self._silence_limit, _LONGEST_SILENCE)
        await self._link.close()
        self._schedule.connection_doubted(now_ns)

    def _note_loss(self, cause: Reason) -> None:
        self._was_connected = False
        self._log.lost(cause.text)
        self._no_connection = connection_lost(self._plan.name, self._peer, cause)

    # The instruments

    async def _ask(
        self, index: int, current: Round, part: Part, begun_ns: int, right: AskingRight | None = None
    ) -> None:
        instrument = self._instruments[index]
        reader = part.reader
        is_patient = part.doubted_ns and current.is_heard  # silent beside others: it may only be slower than they are
        timeout_s = instrument.plan.timeout_s if is_patient else instrument.wait.timeout_s
        if not self._outstanding:
            self._busy_from_ns = begun_ns
        self._outstanding += 1
        resumes_at_ns = 0
        try:
            words = await self._link.read(instrument.plan.unit, reader.table, reader.address, reader.count, timeout_s)
        except LinkError as exc:
            now_ns, utc_ns = self._clock.monotonic_ns(), self._clock.utc_ns()
            self._judge(exc, instrument, current, part, now_ns)
            if current.given_up or isinstance(exc, NoAnswerError):
                current.timed_out_ns = now_ns - begun_ns
                resumes_at_ns = now_ns  # others have waited long enough: those that are due go first
        else:
            now_ns, utc_ns = self._clock.monotonic_ns(), self._clock.utc_ns()
            readings = reader.decode(words, utc_ns, now_ns)
            if instrument.duplicate.is_looked_at(reader.names):
                await read_in_a_row(self._link, instrument, part, readings, timeout_s, self._clock)
            if right is not None and self._more_to_ask(index, current, now_ns):
                current.contact = Contact.PENDING
                right.pass_on()
                await asyncio.sleep(0)
            took_ns = now_ns - begun_ns
            instrument.statistics.answered(took_ns, utc_ns)
            instrument.wait.answered(took_ns)
            self._heard(now_ns)
            if isinstance(words, DoubtedWords):
                readings = doubted(readings, instrument.reason(words.doubt))
            current.answered(part, readings)
        self._outstanding -= 1
        self._freed.set()
        if not self._outstanding:
            self._statistics.busy_ns += now_ns - self._busy_from_ns
        current.outstanding -= 1
        if instrument.plan.pause_s:
            instrument.rest_until_ns = resumes_at_ns = now_ns + round(instrument.plan.pause_s * _NS_PER_S)
        if current.over:
            await self._finish(index, current, now_ns, utc_ns)
        elif current.waiting:
            self._schedule.resume(index, resumes_at_ns)
        self._waiting.end()

    def _more_to_ask(self, index: int, current: Round, now_ns: int) -> bool:
        """Whether there is something to ask at once, after an answer of this instrument."""
        if current.waiting:
            self._schedule.resume(index, 0)
        return self._schedule.is_due(now_ns)

    async def _finish(self, index: int, current: Round, now_ns: int, utc_ns: int) -> None:
        """All that will come of a poll has come: hands it on and draws the conclusions."""
        instrument = self._instruments[index]
        instrument.round = None
        readings = current.readings(utc_ns, now_ns)
        current.finish(now_ns)
        is_silent, given_up = current.contact is Contact.SILENT, current.given_up
        if given_up:
            if is_silent:
                self._silent_in_a_row += 1
                instrument.wait.unanswered()
                instrument.late_answers = self._link.counters.late_answers
            next_ns = round(instrument.wait.timeout_s * _NS_PER_S) if self._at_once == 1 else 0
            is_mute = self._heard_late == self._link.counters.late_answers
            self._heard_late = self._link.counters.late_answers
            is_kept = is_mute and self._plan.has_converter
            self._schedule.unanswered(index, now_ns, current.timed_out_ns, next_ns, is_kept=is_kept)
        elif self._schedule.answered(index):
            instrument.try_all_again()
        if current.timed_out_ns and not given_up:
            self._schedule.timed_out(now_ns, current.timed_out_ns)
        self._log.polled(instrument, current.failure, given_up)
        instrument.ended(current.failure)
        instrument.duplicate.look(readings)
        if instrument.duplicate.seen is not None or instrument.suspicion is not None:
            readings = self._doubt_address(instrument, readings)
        frames = self._link.counters.unsolicited_frames
        if self._second_master.look(frames, now_ns):
            self._log.second_master(self._second_master.suspected, frames)
        if self._second_master.suspected and not self._plan.tells_answers_apart:
            readings = doubted(readings, self._second_master.reason)
        self._sink(instrument.judged(readings))
        if self._was_connected and not self._link.connected:
            self._connection_lost(now_ns, current.failure or CLOSED)
        elif is_silent and self._link.connected and self._silent_in_a_row >= self._silence_limit:
            await self._remake_silent_connection(now_ns)

    def _doubt_address(self, instrument: Instrument, readings: list[Reading]) -> list[Reading]:
        """Readings of which nobody can say which of two devices they come from are Bad."""
        before = instrument.suspicion
        readings = instrument.doubted(readings)
        if (instrument.suspicion is None) is not (before is None):
            self._log.duplicate_address(instrument, instrument.suspicion)
        return readings

    def _judge(self, exc: LinkError, instrument: Instrument, current: Round, part: Part, now_ns: int) -> None:
        """Counts a failed request and says what became of it."""
        reason = request_failed(exc, instrument.name, part.reader.text)
        instrument.statistics.failed(reason.code)
        if not isinstance(exc, NoAnswerError | NoConnectionError):
            self._heard(now_ns)
        failure = failure_of(exc)
        if not self._link.connected:
            current.cut_off(reason)
        elif failure is Failure.SILENT:
            current.silent(part, reason, now_ns)
            instrument.duplicate.request_failed()
        elif isinstance(exc, DeviceExceptionError) and failure in (Failure.REFUSED, Failure.REFUSED_PART):
            if current.refused(part, reason, now_ns, failure is Failure.REFUSED_PART):
                self._log.refused(instrument, part, exc)
        else:
            current.spoiled(part, reason)
            if failure is Failure.BROKEN:
                instrument.duplicate.frame_broke()

    def _heard(self, now_ns: int) -> None:
        """The connection serves: something came over it, if only a refusal."""
        if self._silence_limit > _SILENT_IN_A_ROW:
            self._schedule.silence_ended(now_ns)
        self._silent_in_a_row = 0
        self._silence_limit = _SILENT_IN_A_ROW
        self._schedule.connection_served(now_ns)
