"""What is truly in a tank at an instant, and what its instruments say of it. SI; heights above the datum."""

from dataclasses import dataclass

__all__ = ["BAD", "GOOD", "UNCERTAIN", "Profile", "Said", "Shown", "State"]

GOOD, UNCERTAIN, BAD = 0, 1, 2


@dataclass(frozen=True)
class Profile:
    """Temperature of the liquid against height: a straight line, and warmer above a layer."""

    at_datum_c: float
    per_m: float = 0.0
    layer_height: float = 0.0
    layer_c: float = 0.0

    def at(self, height: float) -> float:
        return self.at_datum_c + self.per_m * height + (self.layer_c if height > self.layer_height else 0.0)


@dataclass(frozen=True)
class State:
    level: float
    water: float | None
    """Level of free water; None: there is none at all."""
    profile: Profile
    vapour_c: float
    """Of the space above the liquid."""
    ambient_c: float
    density: float
    """As the entered one is read, or would be; of no use where temperature alone gives the density."""
    vapour_pa: float
    """Gauge pressure above the liquid; of a vented tank 0."""


@dataclass(frozen=True)
class Said:
    """One signal at one instant. `why` is the word for what is wrong with it."""

    value: float | None
    quality: int = GOOD
    why: str | None = None
    age_s: float = 0.5


@dataclass(frozen=True)
class Shown:
    """All that is known of a tank at an instant; None: not fitted."""

    time_s: float
    level: Said | None
    second: Said | None
    bottom_pa: Said | None
    vapour_pa: Said | None
    water: Said | None
    elements: tuple[Said, ...]
    ambient: Said | None
    dip_water: float | None
    faults: tuple[str, ...] = ()
    lies: bool = False
    """Whether something is said that is not so, with nothing to give it away: then only the arithmetic is judged."""
