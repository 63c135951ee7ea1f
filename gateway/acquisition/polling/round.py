"""Pure: one poll of one instrument under way: which part is asked next, and what has come of the others."""

from collections.abc import Sequence
from enum import Enum

from gateway.acquisition.polling.parts import BlockParts, Part
from gateway.records import Reading, Reason

__all__ = ["Contact", "Round"]

_SPLITS = 4
"""Blocks that are split in one poll, at most: each costs two more requests. The rest waits for the next poll."""
_SILENCES = 2
"""Parts on which an instrument that did answer others is waited for in one poll."""


class Contact(Enum):
    """How it stands between the line and the instrument in one poll."""

    NONE_YET = "nothing has come of it yet"
    SILENT = "it was waited for in vain and has said nothing: it is asked no more"
    PENDING = "an answer has come, and waits for its turn to be judged"
    HEARD = "it has said something"
    CUT = "the connection was lost meanwhile"


class Round:
    """Asks the parts that answered last time first, then the doubted, those longest ago first.

    An instrument that has not answered a part of this poll is not asked for another. So what a silent one costs is one
    time-out, and the next attempt begins with another part, should only the first be silent.
    """

    __slots__ = (
        "_blocks",
        "_came",
        "_silent",
        "_splits",
        "contact",
        "failure",
        "outstanding",
        "timed_out_ns",
        "waiting",
    )

    def __init__(self, blocks: Sequence[BlockParts], now_ns: int, doubted_too: bool) -> None:
        """`doubted_too`: whether the line can afford to wait in vain for a part that was put off."""
        self._blocks = blocks
        self._came: dict[Part, list[Reading]] = {}
        self._silent: list[Part] = []
        self._splits = 0
        self.failure: Reason | None = None
        """Why a part brought nothing, the last one counts."""
        self.contact = Contact.NONE_YET
        self.timed_out_ns = 0
        """How long was waited in vain, the last time."""
        self.outstanding = 0
        """Requests that were sent and not yet answered."""
        self.waiting: list[Part] = []
        """Parts still to be asked, the next one last."""
        doubted: list[Part] = []
        for block in blocks:
            for part in block.parts:
                if not part.doubted_ns:
                    self.waiting.append(part)
                elif part.retry_at_ns <= now_ns and (doubted_too or part.refused or not part.retry_at_ns):
                    doubted.append(part)
                else:
                    self.failure = part.failure
        self.waiting += sorted(doubted, key=lambda part: part.doubted_ns)
        self.waiting.reverse()

    @property
    def over(self) -> bool:
        return not self.waiting and not self.outstanding

    @property
    def is_heard(self) -> bool:
        return self.contact is Contact.HEARD or self.contact is Contact.PENDING

    @property
    def given_up(self) -> bool:
        """Whether nothing can be said of the instrument but that."""
        return self.contact is Contact.SILENT or self.contact is Contact.CUT

    def answered(self, part: Part, readings: list[Reading]) -> None:
        self._heard()
        self._came[part] = readings
        part.answered()

    def silent(self, part: Part, reason: Reason, now_ns: int) -> None:
        """No answer came in time."""
        self._failed(part, reason, now_ns)
        self._silent.append(part)
        if self.contact is Contact.NONE_YET:
            self.contact = Contact.SILENT
        if self.contact is not Contact.HEARD or len(self._silent) >= _SILENCES:
            self.waiting.clear()

    def cut_off(self, reason: Reason) -> None:
        """The connection is gone, which says nothing about the parts."""
        self.contact = Contact.CUT
        self.failure = reason
        self.waiting.clear()

    def spoiled(self, part: Part, reason: Reason) -> None:
        """Something came that is no answer, or one that may be another the next time."""
        self._heard()
        self.failure = part.failure = reason

    def refused(self, part: Part, reason: Reason, now_ns: int, may_split: bool) -> bool:
        """The device has nothing to give for these addresses. Returns whether that is now known to the address."""
        self._heard()
        was_known = part.refused
        self._failed(part, reason, now_ns)
        if may_split:
            block = next(block for block in self._blocks if part in block.parts)
            instead = block.refused(part)
            for piece in instead:
                piece.failure = reason
            if instead and self._splits < _SPLITS:
                self._splits += 1
                self.waiting += reversed(instead)
        else:
            part.refused = True
        if part.refused:
            part.put_off(now_ns)
        return part.refused and not was_known

    def finish(self, now_ns: int) -> None:
        """To be called when the round is over: what was silent while others answered is left alone for a while."""
        if self.contact is Contact.HEARD:
            for part in self._silent:
                part.put_off(now_ns)
        for block in self._blocks:
            block.settle()

    def readings(self, time_ns: int, monotonic_ns: int) -> list[Reading]:
        """Of every signal, in the order of the blocks; to be taken before `finish`. Bad where nothing came."""
        readings: list[Reading] = []
        for block in self._blocks:
            for part in block.parts:
                came = self._came.get(part)
                if came is None:
                    reason = self.failure if self.contact is Contact.CUT else part.failure or self.failure
                    assert reason is not None
                    came = part.reader.failed(reason, time_ns, monotonic_ns)
                readings += came
        return readings

    def _heard(self) -> None:
        if self.contact is not Contact.CUT:
            self.contact = Contact.HEARD

    def _failed(self, part: Part, reason: Reason, now_ns: int) -> None:
        self.failure = part.failure = reason
        part.doubted_ns = now_ns
