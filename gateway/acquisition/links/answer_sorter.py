"""Pure: whose an answer is that is not the awaited one, on a wire where it does not say so; and all are counted."""

from enum import Enum

from gateway.acquisition.links.answer_doubts import Units
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.quiet import Quiet
from gateway.acquisition.links.unit_answers import REFUSALS
from gateway.errors import BadFrameError, DeviceExceptionError
from gateway.modbus.framing import Framing, ReadRequest, exception_code, mismatch

__all__ = ["AnswerSorter", "Whose"]

_BURST_S = 0.02
"""Bytes that follow later than this are counted as another frame."""


class Whose(Enum):
    """To which request an answer is."""

    OWN = "the awaited one"
    EARLIER = "one that was not answered in its time"
    IN_DOUBT = "such a one, or the awaited one"
    SECOND = "one that was answered already"
    NOBODYS = "none of ours"


class AnswerSorter:
    """One line. Times are monotonic, in s."""

    __slots__ = ("_counters", "_framing", "_is_counted", "_is_frame_over", "_late", "_quiet", "_stray", "_units")

    def __init__(self, framing: Framing, units: Units, quiet: Quiet, counters: LinkCounters) -> None:
        self._framing = framing
        self._units = units
        self._quiet = quiet
        self._counters = counters
        self._stray = b""
        """What came unexpected and is no whole frame yet."""
        self._is_counted = True
        """Whether what still follows belongs to something that was counted."""
        self._is_frame_over = True
        """The next unexpected byte begins a frame, however soon it follows."""
        self._late: list[tuple[int, float]] = []
        """By how many seconds units were late, as far as it is not known yet whether that was theirs."""

    def whose(self, message: bytes, awaited: ReadRequest, now_s: float, *, is_taken: bool) -> Whose:
        """`is_taken`: what may be the awaited answer is taken for it, whatever is owed."""
        is_fit = mismatch(message[:3], awaited) is None
        if is_fit and is_taken:
            return Whose.OWN
        if self._is_earlier(message, now_s):
            # What was answered with values before is not refused now: that is an answer to something else.
            is_refusal = exception_code(message) in REFUSALS and self._units[awaited.unit].is_known(awaited)
            return Whose.IN_DOUBT if is_fit and not is_refusal else Whose.EARLIER
        if is_fit:
            return Whose.OWN
        return Whose.SECOND if self._is_second(message, now_s) else Whose.NOBODYS

    def _is_earlier(self, message: bytes, now_s: float) -> bool:
        """Whether this answers an earlier request, which then is owed no more."""
        unit = message[0]
        struck = self._units[unit].strike(message) if unit in self._units.owing else None
        if struck is None:
            return False
        self._counters.late_answers += 1
        kept_s = None if struck.sent_s is None else now_s - struck.sent_s
        self._units.late(unit, kept_s)
        if kept_s is not None:
            self._late.append((unit, kept_s))
        return True

    def _is_second(self, message: bytes, now_s: float) -> bool:
        """Whether this is another answer to a request that was answered already."""
        is_second = self._units.note_second(message, now_s)
        if is_second:
            self._counters.second_answers += 1
            self._counters.unsolicited_frames += 1
        return is_second

    def may_be_ours(self, received: bytes, awaited: ReadRequest, now_s: float) -> bool:
        """Whether this may yet become an answer to any request of ours."""
        beginning = self._framing.beginning(received)
        if not beginning or mismatch(beginning, awaited) is None:
            return True
        unit = beginning[0]
        owed = unit in self._units.owing and self._units[unit].may_owe(beginning)
        return owed or self._units.may_be_second(beginning, now_s)

    def complaint(self, received: bytes, awaited: ReadRequest, otherwise: BadFrameError | None = None) -> BadFrameError:
        """What is wrong with what has come, taken for the answer that is awaited; else `otherwise`."""
        try:
            self._framing.answer(received, awaited)
        except BadFrameError as exc:
            return exc
        except DeviceExceptionError:
            pass
        return otherwise or BadFrameError(self._framing.explain(received, awaited))

    def strayed(self, data: bytes, now_s: float, follows_s: float) -> None:
        """Bytes while none are awaited, so long after those before."""
        if self._is_frame_over or follows_s > _BURST_S:
            self.ended()
            self._is_counted = False
        self._is_frame_over = False
        self._units.strayed(now_s)
        if self._is_counted:
            return
        self._stray += data
        while self._stray:
            try:
                frame = self._framing.first_answer(self._stray)
            except BadFrameError:
                self.ended()
                return
            if frame is None:
                return
            self._stray = self._stray[frame.wire_size :]
            if not self._is_earlier(frame.message, now_s) and not self._is_second(frame.message, now_s):
                self._counters.unsolicited_frames += 1
            self.learn(are_units_slow=True)
        self._is_frame_over = True

    def ended(self) -> None:
        """No more comes of a frame, or no answer begins so. Where its unit owes one, it is taken for that."""
        stray, self._stray = self._stray, b""
        if not stray:
            return
        self._is_counted = True
        sender = self._framing.beginning(stray)[:1]
        if sender and sender[0] in self._units.owing:
            self._counters.late_answers += 1
        else:
            self._counters.unsolicited_frames += 1

    def learn(self, *, are_units_slow: bool) -> None:
        """Late answers that came by themselves, or before the awaited one, tell how slow a unit is.

        Those that came with the next request, and then nothing, were kept on the way.
        """
        if are_units_slow:
            for unit, late_s in self._late:
                self._quiet.learn(unit, late_s)
        self._late.clear()

    def frame_ended(self, *, is_whole: bool) -> None:
        """What was awaited has come; or it was no good, and what follows soon is more of the same."""
        self._stray = b""
        self._is_counted = True
        self._is_frame_over = is_whole
