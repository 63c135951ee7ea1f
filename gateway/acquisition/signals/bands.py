"""Pure: whether the values of one signal jump to and fro between two bands, told value by value and at little cost.

Nothing follows from that alone: a gauge that reports only changes beyond a deadband, on a liquid with waves, does the
same, and so do waves that are looked at twice a period.
"""

__all__ = ["STEPS", "WHOLE_STEPS", "Bands"]

STEPS = 4096.0
"""Into so many a gauge divides what a floating-point number sends, at least: twelve bits."""
WHOLE_STEPS = 3.0
"""Bands lie so many steps of resolution apart ..."""
_APART = 2.0
"""... and so many times as far as the values of either lie from one another: that is eight of their standard
deviations, since a score of values spans about four."""
_FEWEST_VALUES = 8
_FEWEST_SWITCHES = 4
_WINDOW = 48
"""Values after which it begins anew: a level that has moved in between hides nothing for longer than that."""


class Bands:
    """The newest values of one signal. One that is the same as the last tells nothing and need not be given."""

    __slots__ = ("_high", "_high_to", "_is_high", "_low", "_low_to", "_resolution", "_switches", "_values", "last")

    def __init__(self, resolution: float) -> None:
        """`resolution`: one step of the number that is sent, in its unit; 0 for a floating-point number."""
        self._resolution = resolution
        self._is_high = False
        self._switches = self._values = 0
        self.last: float | None = None
        self._low = self._low_to = self._high = self._high_to = 0.0
        """From where to where each band reaches; one that is not there yet is not a number."""
        self._begin(float("nan"))

    @property
    def middle(self) -> float:
        """What parts the bands."""
        return (self._low_to + self._high) / 2

    @property
    def places(self) -> tuple[float, float]:
        """The middle of either band."""
        return (self._low + self._low_to) / 2, (self._high + self._high_to) / 2

    def take(self, value: float) -> bool:
        """Returns whether the values since it began lie in two bands and go to and fro between them."""
        self.last = value
        if self._high == self._high:
            is_high = value - self._low_to > self._high - value
            if is_high:
                self._high, self._high_to = min(self._high, value), max(self._high_to, value)
            else:
                self._low, self._low_to = min(self._low, value), max(self._low_to, value)
            self._switches += is_high is not self._is_high
            self._is_high = is_high
        elif value > self._low_to:
            if self._is_apart(value - self._low_to):
                self._high = self._high_to = value
                self._is_high, self._switches = True, 1
            else:
                self._low_to = value
        elif value < self._low:
            if self._is_apart(self._low - value):
                self._high, self._high_to = self._low, self._low_to
                self._low = self._low_to = value
                self._is_high, self._switches = False, 1
            else:
                self._low = value
        elif self._low != self._low:
            self._low = self._low_to = value
        self._values += 1
        if self._values > _WINDOW or (self._high == self._high and not self._is_apart(self._high - self._low_to)):
            self._begin(value)
        return self._switches >= _FEWEST_SWITCHES and self._values >= _FEWEST_VALUES

    def _is_apart(self, gap: float) -> bool:
        width = max(self._low_to - self._low, self._high_to - self._high if self._high == self._high else 0.0)
        step = self._resolution or max(abs(self._low), abs(self._low_to)) / STEPS
        return gap > _APART * width and gap > WHOLE_STEPS * step

    def _begin(self, value: float) -> None:
        self._low = self._low_to = value
        self._high = self._high_to = float("nan")
        self._is_high = False
        self._switches = self._values = 0
