"""What the search for a slow loss remembers of a tank: plain values, under two kilobytes."""

from typing import NamedTuple

from gateway.plain_form import SteadyTime
from gateway.watch.loss.air import Air
from gateway.watch.loss.baseline import NEW_FIT, Fit
from gateway.watch.loss.hours import Hour

__all__ = ["NO_LOSS", "Found", "Learned", "LossMemory", "Rest", "Score"]


class Rest(NamedTuple):
    """One time at rest, from the first hour that was judged."""

    first: float
    """The quantity of that hour, in m3 or kg."""
    per_m: float
    """Of the quantity, by metre of level."""
    area_m2: float
    """Of the surface."""
    m3_per_m: float
    """What is told of a loss, by metre of level: of standard volume where there is one."""
    last: float
    """The quantity of the newest hour."""
    last_s: SteadyTime = 0.0
    used: str = ""
    """By which instruments and elements."""


class Score(NamedTuple):
    """Of the sequential test."""

    score: float = 0.0
    since_s: SteadyTime = 0.0
    """When it was last zero."""
    shown: float = 0.0
    """Sum of what a loss would show against what was shown, each by its variance, since then."""
    weight: float = 0.0
    """Sum of the squares of the former by their variance."""


class Found(NamedTuple):
    """A loss, as it stands in the newest hour."""

    rate_m3_s: float
    spread_m3_s: float
    """Two standard deviations."""
    since_s: SteadyTime
    chance_s: float
    """Where nothing is lost, the same is seen once in so long a time at rest."""
    mark_m: float
    """Where the contents stood, as a level without what the ambient makes of it, when the loss was last borne out."""
    mark_s: SteadyTime


class Learned(NamedTuple):
    """All that changes by the hour only."""

    fit: Fit = NEW_FIT
    origin_s: SteadyTime | None = None
    """From which days are counted, so that setting the clock moves none."""
    air: Air | None = None
    with_air: bool = False
    """Whether the newest hour was judged by the air."""
    gain: float = 0.0
    """The same sum as that of the losses, of what was there beyond what was expected."""
    excess: float = 0.0
    """Logarithm of the variance of this tank's noise over that which the filter takes for chance."""
    rest: Rest | None = None
    score: Score = Score()
    found: Found | None = None


class LossMemory(NamedTuple):
    """All that one sheet hands on to the next."""

    hour: Hour | None = None
    rests_s: SteadyTime | None = None
    """Since when the tank rests; None: it moves, or that is not known."""
    learned: Learned = Learned()


NO_LOSS = LossMemory()
