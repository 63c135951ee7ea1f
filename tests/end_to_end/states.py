"""Seeded states of the ten demo tanks, drawn where a mistake would show: near empty and full, and about every mark."""

import random
from collections.abc import Callable
from fractions import Fraction

from tests.end_to_end.oracle import (
    AIR_DENSITY,
    GRAVITY,
    Expected,
    OpenQuestionError,
    State,
    density,
    expected,
    own_pressure,
)
from tests.end_to_end.worksheet import TANKS, Tank

__all__ = ["Drawn", "at_margins", "draw"]

Drawn = dict[str, tuple[State, Expected]]
"""Tank -> the state it is put in, and what it must then show."""

TENTH_MM = Fraction(1, 10_000)
MOST_DRAWS = 100
# Mean temperatures to draw from, degC, inside what each product's density is given for.
TEMPERATURES_C = {
    "TK-101": (-12, 38),
    "TK-204": (-8, 34),
    "J-3": (4, 40),
    "B-2": (0, 38),
    "C-7": (16, 48),
    "P-12": (34, 62),
    "BO-5": (12, 55),
    "A-1": (28, 72),
    "F-1": (42, 85),
    "D-1": (-5, 35),
}


def draw(seed: int) -> Drawn:
    """One state of all ten tanks."""
    source = random.Random(seed)
    return {tag: _draw(source, tag, tank) for tag, tank in TANKS.items()}


def at_margins(short: bool) -> Drawn:
    """The tanks with a level gauge at exactly their second element and its margin, or one step of the gauge short."""
    found: Drawn = {}
    for tag, tank in TANKS.items():
        if tank.nozzle is None:
            level = tank.elements[1] + tank.margin - (tank.level_step or TENTH_MM) * short
            # Falling upwards, the dry ones far off: an element too many shows in the average.
            temperatures = tuple(
                Fraction(40 - index if height <= level else 25) for index, height in enumerate(tank.elements)
            )
            state = State(level, temperatures)
            found[tag] = state, expected(tag, state)
    return found


def _draw(source: random.Random, tag: str, tank: Tank) -> tuple[State, Expected]:
    for _ in range(MOST_DRAWS):
        state = _state(source, tag, tank)
        try:
            return state, expected(tag, state)
        except OpenQuestionError:
            continue
    raise AssertionError(f"{tag}: no state that the worksheet settles in {MOST_DRAWS} draws")


def _state(source: random.Random, tag: str, tank: Tank) -> State:
    level = _level(source, tank)
    low, high = TEMPERATURES_C[tag]
    temperatures = _profile(source, tank, level, low, high)
    water = _water(source, tank, level)
    pressure = Fraction(0)
    if tank.vapour_density is not None:
        pressure = Fraction(source.randrange(1000, 9000)) * 100
        if tank.propane is not None and source.random() < 0.7:
            own = own_pressure(tank.propane, float(temperatures[0])) * source.uniform(0.9, 1.1) - 101_325.0
            pressure = Fraction(round(own / 100.0)) * 100
    if tank.nozzle is not None:
        # Of an even temperature in all the liquid, so that the pressure does not hang on how a profile is averaged:
        # what the demo site's transmitters then see is rho g h, less the air beside the tank.
        even = temperatures[0] if level >= tank.elements[0] or tank.manual_c is None else Fraction(str(tank.manual_c))
        temperatures = tuple(
            even if height <= level else each for height, each in zip(tank.elements, temperatures, strict=True)
        )
        thickness = density(tank, float(even))
        assert thickness is not None
        pressure = Fraction((thickness - AIR_DENSITY) * GRAVITY * max(0.0, float(level - tank.nozzle)))
        return State(level, temperatures, water, pressure, even)
    return State(level, temperatures, water, pressure)


def _level(source: random.Random, tank: Tank) -> Fraction:
    """A tenth of the draws near each end, a third about an element's margin, some about a limit, the rest anywhere."""
    top, step = tank.height, tank.level_step or TENTH_MM
    near = Fraction(source.randrange(1, 500), 10_000)
    marks = [height + offset for height in tank.elements for offset in (Fraction(0), tank.margin, tank.margin * 2 / 3)]
    limits = [tank.minimum, tank.maximum_working, *([] if tank.roof is None else tank.roof[1:])]
    away = source.choice([Fraction(0), step, -step, 5 * step, -5 * step, near, -near])
    choice: Callable[[], Fraction] = source.choice(
        [
            lambda: Fraction(source.randrange(0, 3_000), 10_000),
            lambda: top - Fraction(source.randrange(0, 3_000), 10_000),
            *[lambda: source.choice(marks) + away] * 4,
            lambda: source.choice(limits) + away,
            *[lambda: Fraction(source.randrange(int(top * 10_000)), 10_000)] * 3,
        ]
    )
    level = choice()
    # Float gauges of the site resolve a tenth of a millimetre.
    level = level if tank.level_step is not None else round(level / TENTH_MM) * TENTH_MM
    return min(max(level, Fraction(0)), top)


def _water(source: random.Random, tank: Tank, level: Fraction) -> Fraction:
    """None, a little, or as deep as an element; always with product above it."""
    highest = level - Fraction(1, 10) if tank.roof is None else level - Fraction(1, 2)
    if tank.water_step is None or highest <= tank.water_step:
        return Fraction(0)
    millimetre = Fraction(1, 1000)
    about = source.choice(tank.elements) + source.choice([0, 3, -3]) * millimetre
    wanted = source.choice(
        [Fraction(0), source.randrange(1, 90) * millimetre, source.randrange(1, 900) * millimetre, about]
    )
    if wanted > highest:
        wanted = highest
    return Fraction(int(wanted / millimetre)) * millimetre


def _profile(source: random.Random, tank: Tank, level: Fraction, low: int, high: int) -> tuple[Fraction, ...]:
    """Falling or rising by up to 1.5 K from element to element in the liquid; the vapour up to 15 K away from it."""
    grain = Fraction(1, 100)
    value = Fraction(source.randrange(100 * (low + 5), 100 * (high - 5))) * grain
    way = source.choice([1, -1])
    apart = source.choice([1, -1]) * source.randrange(100, 1500) * grain
    found = []
    for height in tank.elements:
        value += way * source.randrange(0, 60) * grain
        found.append(value if height <= level else value + apart)
    return tuple(found)
