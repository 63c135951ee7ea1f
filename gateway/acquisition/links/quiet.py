"""Pure: how long a line must have been silent before the next request, learned from how late its units answer."""

from dataclasses import dataclass

__all__ = ["Quiet", "Timing"]

_FORGETTING = 0.999
"""The slowest answer in mind fades by this with each further one, so that one slow moment does not last for ever."""
_MARGIN = 2.0
"""The line must be silent for so many times the slowest answer."""


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


class Quiet:
    """The silence that one line needs. Times are monotonic, in s."""

    __slots__ = ("_from_s", "_slowest_s", "_timing", "needed_s")

    def __init__(self, timing: Timing) -> None:
        self._timing = timing
        self._from_s = 0.0
        self.needed_s = 0.0
        """0 where the line is settled."""
        self._slowest_s: dict[int, float] = {}
        """By unit: its slowest answer, late ones included."""

    @property
    def ends_s(self) -> float:
        return self._from_s + self.needed_s

    def settles(self, now_s: float) -> bool:
        """Whether the silence has lasted; then the line is settled."""
        if self.needed_s and now_s >= self.ends_s:
            self.needed_s = 0.0
        return not self.needed_s

    def stirred(self, now_s: float) -> None:
        """Something came that nobody waits for."""
        self._need(now_s, self._timing.quiet_shortest_s)

    def missed(self, unit: int, now_s: float) -> None:
        """A request to the unit was not answered, or not well: the answer may yet come."""
        timing = self._timing
        slowest_s = self._slowest_s.get(unit, timing.quiet_longest_s)
        self._need(now_s, min(timing.quiet_longest_s, max(timing.quiet_shortest_s, _MARGIN * slowest_s)))

    def learn(self, unit: int, answer_s: float) -> None:
        """The unit's answer took so long. What was kept for longer than any silence lasts is not its slowness."""
        if answer_s <= self._timing.quiet_longest_s:
            self._slowest_s[unit] = max(answer_s, _FORGETTING * self._slowest_s.get(unit, 0.0))

    def _need(self, now_s: float, needed_s: float) -> None:
        self._from_s = now_s
        self.needed_s = max(self.needed_s, needed_s)
