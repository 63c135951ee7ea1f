"""Deadwood: what stands inside a tank and takes room, or opens outside the shell and gives some (ISO 7507-1)."""

import math
from dataclasses import dataclass, field

from gateway.calculation.contracts import Capacity
from gateway.errors import SettingsError

__all__ = ["Deadwood", "WithDeadwood"]

_CHECKED_LEVELS = 400
_HALVINGS = range(9, 24)
"""Above the bottom the levels are looked at ever more closely: the tip of a cone has no room for a column."""
_TIP = 1e-6
"""Of the full volume: so little may a column that is spread evenly take too much where a bottom runs out in a tip."""


@dataclass(frozen=True, slots=True)
class Deadwood:
    """A fitting of `volume_m3` spread evenly over the levels `from_m`..`to_m` above the datum.

    Columns, heating coils and supports are positive; what adds room, such as a manhole or a sump, is negative.
    """

    volume_m3: float
    from_m: float
    to_m: float
    name: str = "deadwood"

    def __post_init__(self) -> None:
        if not all(math.isfinite(value) for value in (self.volume_m3, self.from_m, self.to_m)):
            raise SettingsError((f"{self.name}: volume and both levels must be finite numbers",))
        if not self.from_m < self.to_m:
            text = f"{self.name}: from {self.from_m:.7g} m to {self.to_m:.7g} m; the second level must be the higher"
            raise SettingsError((text,))

    def below(self, level_m: float) -> float:
        """m3 of it that a liquid at `level_m` covers."""
        share = (level_m - self.from_m) / (self.to_m - self.from_m)
        return self.volume_m3 * min(1.0, max(0.0, share))


@dataclass(frozen=True, slots=True)
class WithDeadwood:
    """A shape or a table less its deadwood, which takes no more room than there is. Raises SettingsError where the
    volume would fall as the level rises, but for the tip of a bottom."""

    shape: Capacity
    pieces: tuple[Deadwood, ...]
    bottom_m: float = field(init=False)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False)
    clause: str = field(init=False)

    def __post_init__(self) -> None:
        shape = self.shape
        object.__setattr__(self, "bottom_m", shape.bottom_m)
        object.__setattr__(self, "top_m", shape.top_m)
        object.__setattr__(self, "clause", f"{shape.clause}, less deadwood")
        below_datum = sum(piece.below(max(0.0, shape.bottom_m)) for piece in self.pieces)
        object.__setattr__(self, "heel_m3", max(0.0, shape.heel_m3 - below_datum))
        self._check()

    def _check(self) -> None:
        bottom, top = self.bottom_m, self.top_m
        edges = {edge for piece in self.pieces for edge in (piece.from_m, piece.to_m) if bottom < edge < top}
        even = {bottom + (top - bottom) * step / _CHECKED_LEVELS for step in range(_CHECKED_LEVELS)}
        looked_at = edges | even | {top}
        close = {bottom + (top - bottom) * 0.5**halving for halving in _HALVINGS}
        before, tip = 0.0, _TIP * abs(self._less(top))
        for level in sorted(looked_at | close):
            volume = self._less(level)
            if volume < before - (1e-12 * (1.0 + before) if level in looked_at else tip):
                text = f"at {level:.7g} m the deadwood takes more room than there is; correct its volume or its levels"
                raise SettingsError((f"{self.clause}: {text}",))
            before = max(before, volume)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError where the shape does."""
        return max(0.0, self._less(level_m))

    def _less(self, level_m: float) -> float:
        volume = self.shape.volume(level_m)
        for piece in self.pieces:
            volume -= piece.below(level_m)
        return volume
