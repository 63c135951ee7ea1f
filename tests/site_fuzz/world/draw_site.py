"""A whole random site from a seed: its tanks, and what is seen of each of them one sheet after another."""

from collections.abc import Sequence
from dataclasses import dataclass

from tests.site_fuzz.states import Shown, State
from tests.site_fuzz.tanks import Tank
from tests.site_fuzz.world.dice import Dice
from tests.site_fuzz.world.draw_product import KINDS
from tests.site_fuzz.world.draw_shape import SHAPES
from tests.site_fuzz.world.draw_state import draw_fill, draw_snapshot
from tests.site_fuzz.world.draw_tank import draw_tank
from tests.site_fuzz.world.faults import with_fault, with_spike
from tests.site_fuzz.world.instruments import show
from tests.site_fuzz.world.site_text import site_text

__all__ = ["SHEETS", "TANKS", "Moment", "Seen", "Site", "draw_site"]

TANKS = 10
"""On each site."""
SHEETS = 20
"""Of each tank: some by themselves, then a series over time."""
_SINGLE = 10
_FAULTY = 0.16
_START_S = 1000.0


@dataclass(frozen=True)
class Moment:
    state: State
    shown: Shown
    follows: bool
    """Whether the sheet before it is remembered."""


@dataclass(frozen=True)
class Seen:
    tank: Tank
    moments: tuple[Moment, ...]


@dataclass(frozen=True)
class Site:
    seed: int
    text: str
    tanks: tuple[Seen, ...]


def draw_site(seed: int, sheets: int = SHEETS) -> Site:
    """The kinds of product and the shapes take turns over the seeds, so that each of them comes up soon.

    Fewer `sheets` than usual are as many single ones, and none over time.
    """
    gravity = Dice(f"gravity of site {seed}").choice((9.80665, 9.7803, 9.8119, 9.8322))
    tanks = [_seen(seed, index, gravity, sheets) for index in range(TANKS)]
    return Site(seed, site_text(f"site-{seed}", [each.tank for each in tanks]), tuple(tanks))


def _seen(seed: int, index: int, gravity: float, sheets: int) -> Seen:
    dice = Dice(f"site {seed}, tank {index}")
    kinds = tuple(KINDS)
    place = seed * TANKS + index
    kind, shape = kinds[place % len(kinds)], SHAPES[(place // len(kinds) + place) % len(SHAPES)]
    tank = draw_tank(dice, f"T{index}", kind, shape, gravity)
    count = _SINGLE if sheets == SHEETS else sheets
    singles = [_moment(dice, tank, draw_snapshot(dice, tank), _START_S, follows=False) for _ in range(count)]
    if sheets != SHEETS:
        return Seen(tank, tuple(singles))
    step_s = dice.one(10.0, 30.0, 60.0, 120.0)
    series = draw_fill(dice, tank, SHEETS - _SINGLE, step_s)
    return Seen(tank, (*singles, *_over_time(dice, tank, series, step_s)))


def _moment(dice: Dice, tank: Tank, state: State, time_s: float, *, follows: bool) -> Moment:
    shown = show(dice, tank, state, time_s)
    if dice.chance(_FAULTY):
        shown = with_fault(dice, tank, shown)
    return Moment(state, shown, follows)


def _over_time(dice: Dice, tank: Tank, series: Sequence[State], step_s: float) -> list[Moment]:
    """Now and then something breaks half way and stays so, or foam is taken for the surface once."""
    moments = []
    broken, breaks_at, spike_at = dice.random(), len(series), len(series)
    if dice.chance(0.3):
        breaks_at = dice.randrange(len(series))
    elif dice.chance(0.1):
        spike_at = dice.randrange(1, len(series))
    for index, state in enumerate(series):
        shown = show(dice, tank, state, _START_S + index * step_s)
        if index >= breaks_at:
            shown = with_fault(Dice(broken), tank, shown)
        if index == spike_at:
            shown = with_spike(dice, tank, shown)
        moments.append(Moment(state, shown, index > 0))
    return moments
