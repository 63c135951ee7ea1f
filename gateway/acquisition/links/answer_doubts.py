"""Pure: the units behind a line without transaction identifiers, and what makes their answers doubtful.

Times are monotonic, in s. Where a line has two ways, both share this: what is owed may come over either.
"""

from collections.abc import Iterator
from enum import Enum

from gateway.acquisition.links.unit_answers import UnitAnswers
from gateway.modbus.framing import Look
from gateway.records import ReasonCode, because

__all__ = ["Doubt", "Units"]

_KEPT_AT_LEAST_S = 10.0
"""For so long an answer may be kept, as long as none was kept for longer."""
_KEPT_AT_MOST_S = 300.0
_LATELY_S = 2.0
"""Another answer to the same request comes no later than this after the first."""
_ALONE_S = 60.0
"""For so long, and so many reads, a block must have been answered once each time until that counts again."""
_ALONE_READS = 5
_SHIFTED = 3
"""Reads in a row that bring only answers to earlier requests, from which on the answers are shifted; and reads in a
row that bring their own, from which on they are not."""
_REMAKE_AT_MOST = 96


class Doubt(Enum):
    """Why an answer with values may not be what it seems: the reason of its readings."""

    UNPROVEN = because(
        ReasonCode.ANSWER_UNPROVEN,
        "a request was not answered, and nothing tells whether this answer is not to an earlier one",
    )
    ANSWERED_TWICE = because(
        ReasonCode.ANSWERED_TWICE,
        "two answers to one request came of late: another master, or a second device with this address",
    )


class _Steps:
    """Whether answers are in step with the requests."""

    __slots__ = ("behind", "in_step", "shifted")

    def __init__(self) -> None:
        self.behind = 0
        """Reads in a row that brought only answers to earlier requests."""
        self.in_step = 0
        self.shifted = False

    def own(self) -> None:
        self.behind = 0
        self.in_step += 1
        if self.in_step >= _SHIFTED:
            self.shifted = False

    def earlier(self) -> None:
        self.in_step = 0
        self.behind += 1
        if self.behind >= _SHIFTED:
            self.shifted = True


class _Unit:
    __slots__ = ("answers", "own_s", "steps", "unproven_look", "unproven_s", "was_proved")

    def __init__(self) -> None:
        self.answers = UnitAnswers()
        self.steps = _Steps()
        self.own_s = 0.0
        """When it gave an answer of its own, the last time."""
        self.unproven_look: Look | None = None
        """Of what answers are taken without proof; None while none are."""
        self.unproven_s = 0.0
        """Since when."""
        self.was_proved = False
        """Whether its first answer was to be proved; once is enough, whatever came of it."""


class Units:
    """The units behind one line."""

    def __init__(self) -> None:
        self._units: dict[int, _Unit] = {}
        self._twice: dict[tuple[int, Look], list[float]] = {}
        """Since when, and how many reads ago, two answers came to a request of that look."""
        self._steps = _Steps()
        self._remake_at = _SHIFTED
        self._longest_kept_s = _KEPT_AT_LEAST_S
        self._strayed_s = 0.0
        self._is_past_unknown = True
        self._own: tuple[int, Look] | None = None
        """The last answer of its own, None where a request was missed since."""
        self.owing: set[int] = set()
        """Those that owe something."""

    def __getitem__(self, unit: int) -> UnitAnswers:
        return self._of(unit).answers

    # Requests

    def must_be_proved(self, unit: int, look: Look) -> bool:
        """Whether nothing is known of what was asked before this program was there: an answer of this look could be one
        to that. Two answers in a row that look different from one another end it."""
        if not self._is_past_unknown or self._own not in (None, (unit, look)):
            return False
        one = self._of(unit)
        was_proved, one.was_proved = one.was_proved, True
        return not was_proved

    def missed(self, unit: int) -> None:
        self._own = None
        self.owing.add(unit)

    def forgive_by_others(self, unit: int) -> None:
        """Where another unit gave an answer of its own since, what lies between is in step: nothing of this comes."""
        one = self._of(unit)
        missed_s = one.answers.missed_s
        if any(other.own_s > missed_s for other in self._others(one)):
            one.answers.forgive()
            self.owing.discard(unit)

    def is_unproven(self, unit: int, look: Look) -> bool:
        return self._of(unit).unproven_look == look

    # Answers

    def own(self, unit: int, look: Look, now_s: float) -> None:
        """An answer came that is its own beyond doubt."""
        one = self._of(unit)
        one.unproven_look = None
        one.own_s = now_s
        self.owing.discard(unit)
        if self._is_past_unknown:
            self._is_past_unknown = self._own in (None, (unit, look))
        self._own = (unit, look)

    def taken(self, unit: int, look: Look, now_s: float) -> bool:
        """An answer was taken though the unit owes one of that look, and nothing can tell them apart.

        Returns whether it is certain all the same: nothing but older values of the same registers was to be feared, and
        nothing has come for longer than ever an answer was kept.
        """
        one = self._of(unit)
        if one.unproven_look is None:
            one.unproven_look, one.unproven_s = look, now_s
        quiet_s = now_s - max(one.unproven_s, self._strayed_s)
        if quiet_s < self._longest_kept_s or one.answers.has_several(look):
            return False
        one.answers.forgive()
        self.own(unit, look, now_s)
        return True

    def answered(self, unit: int, look: Look, now_s: float) -> None:
        """A read has its answer: once more it was the only one, as far as is known yet."""
        alone = self._twice.get((unit, look))
        if alone is not None:
            alone[1] += 1
            if alone[1] >= _ALONE_READS and now_s - alone[0] >= _ALONE_S:
                del self._twice[unit, look]

    def in_step(self, unit: int) -> None:
        """A read ended with its own answer."""
        self._of(unit).steps.own()
        self._steps.own()
        self._remake_at = _SHIFTED

    def earlier(self, unit: int) -> bool:
        """A read brought only answers to earlier requests. Returns whether a new connection is worth a try."""
        self._of(unit).steps.earlier()
        self._steps.earlier()
        if self._steps.behind < self._remake_at:
            return False
        self._remake_at = self._steps.behind + min(self._remake_at, _REMAKE_AT_MOST)
        return True

    def late(self, unit: int, kept_s: float | None) -> None:
        """An answer came to a request that is not waited for any more, after so long if that is known."""
        if not self._of(unit).answers.owes:
            self.owing.discard(unit)
        if kept_s is not None:
            self._longest_kept_s = max(self._longest_kept_s, min(kept_s, _KEPT_AT_MOST_S))

    def strayed(self, now_s: float) -> None:
        """Something came that nobody waits for."""
        self._strayed_s = now_s

    def note_second(self, message: bytes, now_s: float) -> bool:
        """Whether this answer is another one to a request that was answered already. Takes note of it."""
        looks = [look for look in self._lately(message, now_s) if look == (message[1], message[2])]
        for look in looks:
            self._twice[message[0], look] = [now_s, 0]
        return bool(looks)

    def may_be_second(self, beginning: bytes, now_s: float) -> bool:
        """As `note_second`, of the first one to three bytes."""
        begins = tuple(beginning[1:])
        return any(look[: len(begins)] == begins for look in self._lately(beginning, now_s))

    def doubt(self, unit: int, look: Look) -> Doubt | None:
        if self._of(unit).unproven_look == look:
            return Doubt.UNPROVEN
        return Doubt.ANSWERED_TWICE if (unit, look) in self._twice else None

    def is_shifted(self, unit: int) -> bool:
        return self._steps.shifted or self._of(unit).steps.shifted

    def _others(self, one: _Unit) -> Iterator[_Unit]:
        return (each for each in self._units.values() if each is not one)

    def _lately(self, beginning: bytes, now_s: float) -> list[Look]:
        """The looks of what the unit that these bytes begin with answered not long ago."""
        one = self._units.get(beginning[0]) if beginning else None
        times = {} if one is None else one.answers.answered_s
        return [look for look, answered_s in times.items() if now_s - answered_s <= _LATELY_S]

    def _of(self, unit: int) -> _Unit:
        one = self._units.get(unit)
        if one is None:
            one = self._units[unit] = _Unit()
        return one
