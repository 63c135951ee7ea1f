"""Pure: the one door to a wire, as a contract. Whatever stands behind it can read Modbus tables and nothing else.

Behind it times are seconds of the event loop's clock, before it nanoseconds of a `gateway.clock`. They are different
clocks: only how long to wait goes through the door.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol

from gateway.modbus.tables import Table
from gateway.records import Reason, ReasonCode

__all__ = [
    "DOUBT_CODES",
    "DoubtedWords",
    "Link",
    "LinkCounters",
    "doubt_of",
]


@dataclass(slots=True)
class LinkCounters:
    """What went over a link, and what came without being the answer to a waiting request, since the link was made."""

    late_answers: int = 0
    """Answers to requests that had timed out or been cancelled; dropped."""
    unsolicited_frames: int = 0
    """Frames that answer no request that was ever sent; dropped."""
    second_answers: int = 0
    """Those of them that look like another answer to a request that was answered."""
    shifts: int = 0
    """How often answers began to stay behind their requests."""
    sent: Counter[int] = field(default_factory=Counter, compare=False)
    """Requests that were sent, by their function code."""

    @classmethod
    def total(cls, each: "Iterable[LinkCounters]") -> "LinkCounters":
        total = cls()
        for counters in each:
            total.late_answers += counters.late_answers
            total.unsolicited_frames += counters.unsolicited_frames
            total.second_answers += counters.second_answers
            total.shifts += counters.shifts
            total.sent.update(counters.sent)
        return total


DOUBT_CODES = frozenset({ReasonCode.ANSWER_UNPROVEN, ReasonCode.ANSWERED_TWICE})
"""Of readings whose words may not be the answer to their read."""


class DoubtedWords(tuple[int, ...]):
    """What a read has brought, where it may not be the answer to that read: no reading of it is Good."""

    doubt: Reason

    @classmethod
    def of(cls, words: tuple[int, ...], doubt: Reason) -> "DoubtedWords":
        doubted = cls(words)
        doubted.doubt = doubt
        return doubted


def doubt_of(words: tuple[int, ...]) -> str:
    """Why they may not be the answer to their read, in a sentence; empty where they surely are."""
    return words.doubt.text if isinstance(words, DoubtedWords) else ""


class Link(Protocol):
    """A connection to one or more units. One task owns it.

    Every method raises only the LinkError family of `gateway.errors`, and lets CancelledError pass; a cancelled read
    leaves the link usable, and its answer, should it yet come, is never taken for another's.
    """

    @property
    def connected(self) -> bool:
        """False from the moment the peer is known to be gone."""
        ...

    @property
    def counters(self) -> LinkCounters: ...

    async def connect(self, timeout_s: float) -> None:
        """Raises NoConnectionError. An earlier connection is closed first."""
        ...

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        """Register words, or bits as 0 and 1; exactly `count` of them. DoubtedWords where they may be another's.

        Raises NoConnectionError, NoAnswerError, BadFrameError, AnswersShiftedError or DeviceExceptionError; after all
        but the last the link may have closed itself, as `connected` tells.
        """
        ...

    async def close(self) -> None:
        """Frees the connection at once. Waiting reads end with NoConnectionError. Closing twice does no harm."""
        ...
