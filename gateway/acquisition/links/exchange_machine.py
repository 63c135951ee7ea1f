"""Pure: one exchange at a time on a wire without transaction identifiers, RTU or ASCII, as a machine.

Bytes and time (monotonic, in s) go in; frames to send, outcomes with their doubts, and the next deadline come out. An
answer does not say which request it belongs to. What keeps a late one from being taken for the next request's:

- Unit, function and byte count must be those that were asked for.
- After a time-out, a cancelled read or a bad frame nothing is sent before the line has been silent for a while that is
  learned from the unit's slowest answer.
- What was not answered is owed, over new connections too, and an answer belongs to the oldest request that it can be
  the answer to (`unit_answers.py`). While one of the wanted look is owed, something else is asked first, whose answer
  cannot be mistaken; when that comes, the line is in step. Where nothing else is to be had of the unit, the first
  answer is dropped, and those that follow are doubted until another unit has answered or nothing has come for longer
  than an answer was ever kept.
- The first answer after the start is proved in the same way: what was asked before that is not known.
- Answers that stay behind are no values at all, however well they look, until some in a row are in step again.

What remains: where answers begin to come behind without a request of ours that was not answered, nothing can tell.
Then units and lengths that differ show it, and equal ones do not. Give slow instruments a `timeout` longer than their
slowest answer; then none comes late at all.
"""

from collections.abc import Callable
from enum import Enum
from typing import NamedTuple

from gateway.acquisition.links.answer_doubts import Units
from gateway.acquisition.links.answer_sorter import AnswerSorter, Whose
from gateway.acquisition.links.link import DoubtedWords, LinkCounters
from gateway.acquisition.links.quiet import Quiet, Timing
from gateway.errors import (
    AnswersShiftedError,
    BadFrameError,
    DeviceExceptionError,
    EarlierAnswerError,
    LinkError,
    NoAnswerError,
    NoConnectionError,
)
from gateway.modbus.framing import AnswerFrame, Framing, ReadRequest, judged
from gateway.modbus.tables import Table

__all__ = ["ExchangeMachine", "State"]

_PATIENCE = 3.0
"""In longest quiet times: a line that has not been silent by then belongs to another master, or is broken."""
_KEPT = 600
"""Bytes of a bad frame that are kept to say what they look like; no frame is longer."""
_MOST_EXCHANGES = 8
"""For one read. Three are enough where nothing else goes wrong meanwhile."""

Result = tuple[int, ...] | DeviceExceptionError
Outcome = tuple[int, ...] | LinkError


class State(Enum):
    CLOSED = "there is no connection"
    IDLE = "nothing is asked"
    QUIET = "something is asked; the line must have been silent for a while before it is sent"
    GAP = "the interval between two frames must pass before it is sent"
    AWAITING = "it was sent, and its answer is awaited"
    SETTLING = "it went wrong; the read ends when the line has been silent for a while"


class ExchangeMachine:
    """One line. After each call `to_send`, `outcome` and `deadline_s` say what there is to do."""

    def __init__(self, framing: Framing, timing: Timing, units: Units) -> None:
        self._framing = framing
        self._timing = timing
        self._units = units
        self._quiet = Quiet(timing)
        self.counters = LinkCounters()
        self._sorter = AnswerSorter(framing, units, self._quiet, self.counters)
        self.state = State.CLOSED
        self.deadline_s: float | None = None
        """When `passed` is to be called; None: never."""
        self.to_send: ReadRequest | None = None
        """To be sent now; whoever sends it clears this."""
        self.outcome: Outcome | None = None
        """How the read ended; whoever takes it clears this."""
        self.wants_new_connection = False
        """Answers are shifted, and a new connection may mend that. Whoever makes it clears this."""
        # The read
        self._wanted: ReadRequest | None = None
        self._timeout_s = 0.0
        self._exchanges = 0
        self._is_there = False
        """Whether the unit has answered something in this read."""
        self._takes_unproven = False
        """Whether the next answer is taken though it may be an earlier one."""
        # The exchange
        self._request = ReadRequest(0, Table.COILS, 0, 1)
        self._sent_s = 0.0
        self._received = b""
        self._came_earlier = False
        """Whether answers to earlier requests have come instead."""
        self._came_second: BadFrameError | None = None
        """What is wrong with it, where another answer to a request that was answered has come instead."""
        self._error: LinkError = NoConnectionError("not connected")
        """How the read ends once the line has settled."""
        self._explained = 0
        """How many of the bytes received it speaks of."""
        self._patience_s = 0.0
        # The line
        self._heard_s = 0.0

    # What the shell calls

    def opened(self, now_s: float) -> None:
        self.state = State.IDLE
        self._quiet.stirred(now_s)  # of what went over the wire before, nothing is known

    def lost(self, error: NoConnectionError) -> None:
        if self.state is State.AWAITING:
            self._miss()
        if self._wanted is not None:
            self._end(self._error if self.state is State.SETTLING else error)
        self.to_send = None
        self._rest(State.CLOSED)

    def ask(self, request: ReadRequest, timeout_s: float, now_s: float) -> None:
        """Begins a read; the one before must have ended. `timeout_s` is for each exchange that it needs."""
        self._wanted = request
        self._timeout_s = timeout_s
        self._exchanges = 0
        self._is_there = False
        self._takes_unproven = self._units.is_unproven(request.unit, request.look)
        self._go_on(now_s)

    def abandon(self, now_s: float) -> None:
        """Nobody waits for the read any more: its answer, if it can still come, is not to be another's."""
        if self.state is State.AWAITING:
            self._miss()
            self._quiet.missed(self._request.unit, now_s)
        self._wanted = None
        self.to_send = None
        if self.state is not State.CLOSED:
            self._rest(State.IDLE)

    def received(self, data: bytes, now_s: float) -> None:
        follows_s, self._heard_s = now_s - self._heard_s, now_s
        _TABLE[self.state].on_bytes(self, data, now_s, follows_s)

    def passed(self, now_s: float) -> None:
        """Time has passed; nothing happens before the deadline."""
        if self.deadline_s is not None and now_s >= self.deadline_s:
            _TABLE[self.state].on_deadline(self, now_s)

    # A read, exchange by exchange

    def _go_on(self, now_s: float) -> None:
        self._exchanges += 1
        if self._quiet.settles(now_s):
            self._send_after_gap(now_s)
        else:
            self._wait_for_quiet(State.QUIET, now_s)

    def _send_after_gap(self, now_s: float) -> None:
        silent_s = self._heard_s + self._timing.silence_s
        if now_s >= silent_s:
            self._send(now_s)
        else:
            self.state = State.GAP
            self.deadline_s = silent_s

    def _send(self, now_s: float) -> None:
        self._sorter.ended()
        self._request = self._chosen()
        self.state = State.AWAITING
        self._sent_s = now_s
        self._received = b""
        self._came_earlier = False
        self._came_second = None
        self._await(now_s)
        self.to_send = self._request

    def _chosen(self) -> ReadRequest:
        """What is wanted, or before it what proves that its answer will be its own."""
        wanted = self._wanted
        assert wanted is not None
        units, answers = self._units, self._units[wanted.unit]
        if answers.owes and answers.other_look(wanted) is None:
            units.forgive_by_others(wanted.unit)
        if answers.owes and not self._takes_unproven:
            return answers.next_request(wanted, is_there=self._is_there)
        if units.must_be_proved(wanted.unit, wanted.look):
            return answers.other_look(wanted) or wanted
        return wanted

    def _await(self, now_s: float) -> None:
        wait_s = self._timeout_s
        if self._timing.character_s:
            on_wire = len(self._framing.request_frame(self._request)) + self._framing.answer_size(self._request)
            wait_s += on_wire * self._timing.character_s
        self.deadline_s = now_s + wait_s

    def _own(self, result: Result, now_s: float) -> None:
        """The answer to the request under way, beyond doubt or taken in spite of it."""
        request = self._request
        unit, look = request.unit, request.look
        units, answers = self._units, self._units[unit]
        if self._takes_unproven and answers.owes:
            is_certain = units.taken(unit, look, now_s)
        else:
            is_certain = True
            answers.caught_up()
            units.own(unit, look, now_s)
        answers.answered(request, now_s, with_values=isinstance(result, tuple))
        self._quiet.learn(unit, now_s - self._sent_s)
        self._sorter.learn(are_units_slow=True)
        self._sorter.frame_ended(is_whole=True)
        if request != self._wanted:
            self._is_there = True
            self._go_on(now_s)
            return
        units.answered(unit, look, now_s)
        if is_certain:
            units.in_step(unit)
        if units.is_shifted(unit):
            self._end(AnswersShiftedError("answers came to earlier requests until just now"))
        else:
            doubt = units.doubt(unit, look)
            if doubt is not None and isinstance(result, tuple):
                result = DoubtedWords.of(result, doubt.value)
            self._end(result)

    def _answered_in_doubt(self, now_s: float) -> None:
        """An answer came that may be to this request or to an earlier one."""
        request, wanted = self._request, self._wanted
        assert wanted is not None
        self._is_there = True
        if self._exchanges >= _MOST_EXCHANGES:
            self._fail(EarlierAnswerError("answers came, and none that is surely not to an earlier request"), now_s)
            return
        self._miss()
        if self._units[request.unit].other_look(wanted) is None:
            self._takes_unproven = True
            self._quiet.missed(request.unit, now_s)
        self._go_on(now_s)

    def _miss(self) -> None:
        """The request under way is waited for no longer, and may yet be answered."""
        request = self._request
        self._units[request.unit].missed(request, self._sent_s, is_proof=request != self._wanted)
        self._units.missed(request.unit)

    def _fail(self, error: LinkError, now_s: float) -> None:
        self._miss()
        unit = self._request.unit
        if self._is_there and self._request != self._wanted and not self._came_earlier:
            self._units[unit].was_mute(self._request.look)
        self._error = error
        self._explained = len(self._received)
        self._sorter.learn(are_units_slow=False)
        self._sorter.frame_ended(is_whole=not self._received)
        self._quiet.missed(unit, now_s)
        self._wait_for_quiet(State.SETTLING, now_s)

    def _end(self, outcome: Outcome) -> None:
        self.outcome = outcome
        self._wanted = None
        self._rest(State.IDLE)

    def _rest(self, state: State) -> None:
        self.state = state
        self.deadline_s = None

    # What time brings

    def _wait_for_quiet(self, state: State, now_s: float) -> None:
        self.state = state
        self._patience_s = now_s + _PATIENCE * self._timing.quiet_longest_s
        self.deadline_s = self._quiet.ends_s

    def _quiet_passed(self, now_s: float) -> None:
        if self._quiet.settles(now_s):
            self._send_after_gap(now_s)
        elif self._quiet.ends_s > self._patience_s:
            self._end(BadFrameError("the line does not fall silent: another master is on it, or noise"))
        else:
            self.deadline_s = self._quiet.ends_s

    def _expired(self, now_s: float) -> None:
        request = self._request
        if self._received:
            wanted = self._framing.answer_size(request)
            self._fail(BadFrameError(f"the answer broke off after {len(self._received)} of {wanted} bytes"), now_s)
        elif self._came_earlier:
            was_shifted = self._units.is_shifted(request.unit)
            self.wants_new_connection |= self._units.earlier(request.unit)
            is_shifted = self._units.is_shifted(request.unit)
            self.counters.shifts += is_shifted and not was_shifted
            text = "only answers to earlier requests came"
            self._fail(AnswersShiftedError(text) if is_shifted else EarlierAnswerError(text), now_s)
        else:
            silence = NoAnswerError(f"no answer within {self._timeout_s:g} s")
            self._fail(self._came_second or silence, now_s)

    def _settled(self, now_s: float) -> None:
        """Says what went wrong, all bytes considered."""
        error = self._error
        if not self._quiet.settles(now_s) and self._quiet.ends_s <= self._patience_s:
            self.deadline_s = self._quiet.ends_s
            return
        if type(error) is BadFrameError and len(self._received) > self._explained:
            error = BadFrameError(self._framing.explain(self._received, self._request))
        self._end(error)

    # What the wire brings

    def _answer(self, data: bytes, now_s: float, follows_s: float) -> None:
        """Bytes while an answer is awaited."""
        request = self._request
        received = self._received + data
        sent = self._framing.request_frame(request)
        if received.startswith(sent):
            # A two-wire adapter that hears itself. No answer begins with the whole request.
            received = received[len(sent) :]
        elif sent.startswith(received):
            self._received = received
            return
        self._received = received
        if self._units.owing:
            self._sort(now_s)
            return
        try:
            values = self._framing.answer(received, request)
        except DeviceExceptionError as exc:
            self._own(exc, now_s)
        except BadFrameError:
            self._sort(now_s)
        else:
            if values is not None:
                self._own(values, now_s)

    def _sort(self, now_s: float) -> None:
        """Tells the answers apart that have come, frame by frame, where they may be to other requests."""
        while self._received and self.state is State.AWAITING:
            try:
                frame = self._framing.first_answer(self._received)
            except BadFrameError as exc:
                self._fail(self._sorter.complaint(self._received, self._request, exc), now_s)
                return
            if frame is None:
                if not self._sorter.may_be_ours(self._received, self._request, now_s):
                    self._fail(self._sorter.complaint(self._received, self._request), now_s)
                return
            self._take(frame, now_s)

    def _take(self, frame: AnswerFrame, now_s: float) -> None:
        message, rest = frame.message, self._received[frame.wire_size :]
        whose = self._sorter.whose(message, self._request, now_s, is_taken=self._takes_unproven)
        if whose is Whose.EARLIER or (whose is Whose.IN_DOUBT and rest):
            self._received = rest
            self._came_earlier |= whose is Whose.EARLIER
            self._await(now_s)  # what is owed comes in turn, and then what is awaited
        elif whose is Whose.IN_DOUBT:
            self._answered_in_doubt(now_s)
        elif whose is Whose.OWN and not rest:
            self._own(self._judged(message), now_s)
        elif whose is Whose.SECOND:
            self._came_second = self._sorter.complaint(self._received, self._request)
            self._received = rest
        else:
            self._fail(self._sorter.complaint(self._received, self._request), now_s)

    def _judged(self, message: bytes) -> Result:
        try:
            return judged(message, self._request)
        except DeviceExceptionError as refusal:
            return refusal

    def _strayed(self, data: bytes, now_s: float, follows_s: float) -> None:
        """Bytes while none are awaited."""
        if self.state is State.SETTLING:
            self._received = (self._received + data)[:_KEPT]
        self._sorter.strayed(data, now_s, follows_s)
        self._quiet.stirred(now_s)
        if self.state is State.GAP:
            self._wait_for_quiet(State.QUIET, now_s)
        elif self.state is not State.IDLE:
            self.deadline_s = min(self._quiet.ends_s, self._patience_s)

    def _nothing(self, *_: object) -> None:
        """Bytes of a connection that is given up; a deadline where there is none."""


class _Row(NamedTuple):
    on_bytes: Callable[[ExchangeMachine, bytes, float, float], None]
    on_deadline: Callable[[ExchangeMachine, float], None]


_TABLE: dict[State, _Row] = {
    State.CLOSED: _Row(ExchangeMachine._nothing, ExchangeMachine._nothing),
    State.IDLE: _Row(ExchangeMachine._strayed, ExchangeMachine._nothing),
    State.QUIET: _Row(ExchangeMachine._strayed, ExchangeMachine._quiet_passed),
    State.GAP: _Row(ExchangeMachine._strayed, ExchangeMachine._send),
    State.AWAITING: _Row(ExchangeMachine._answer, ExchangeMachine._expired),
    State.SETTLING: _Row(ExchangeMachine._strayed, ExchangeMachine._settled),
}
