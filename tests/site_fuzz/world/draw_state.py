"""Random states of a tank: anywhere, and often exactly at a mark where a rule changes."""

from dataclasses import replace

from tests.site_fuzz.oracle.gas import vapour_pressure
from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.products import Lpg
from tests.site_fuzz.states import Profile, State
from tests.site_fuzz.tanks import Tank
from tests.site_fuzz.world.dice import Dice

__all__ = ["draw_fill", "draw_snapshot"]

_HAIRS = (0.0, 0.0, 0.0, 0.001, -0.001, 1e-4, -1e-4, 2e-6, -2e-6)


def draw_snapshot(dice: Dice, tank: Tank) -> State:
    level = _level(dice, tank)
    profile = _profile(dice, tank, level)
    state = State(
        level=level,
        water=_water(dice, tank, level),
        profile=profile,
        vapour_c=0.0,
        ambient_c=round(dice.uniform(-10.0, 40.0), 1),
        density=_density(dice, tank),
        vapour_pa=0.0,
    )
    return _with_vapour(dice, tank, state)


def draw_fill(dice: Dice, tank: Tank, count: int, step_s: float) -> list[State]:
    """A tank that fills slowly, or is drawn down, across a mark where there is one on the way."""
    first = draw_snapshot(dice, tank)
    marks = [mark for mark in _marks(tank) if 0.1 * tank.top < mark < 0.95 * tank.top]
    level = first.level if not marks or dice.chance(0.4) else dice.choice(marks)
    # The widest level of any shape is less than twice as wide as the mean.
    widest = 2.0 * volumes_of(tank).at(tank.top) / tank.top
    fastest = 1e-4 if tank.flow is None else tank.flow / widest
    per_step = dice.one(0.0, 0.3, 0.8, 1.0) * fastest * step_s
    rising = dice.chance(0.6)
    start = level - (0.5 if rising else -0.5) * per_step * count
    lowest = max(0.02 * tank.top, tank.dip + 0.02 if tank.water == "dip" else 0.0)
    levels = [min(max(start + (per_step if rising else -per_step) * i, lowest), 0.98 * tank.top) for i in range(count)]
    water = None if first.water is None or first.water > 0.5 * min(levels) else first.water
    water = tank.dip if tank.water == "dip" else water
    kept = replace(first, level=levels[0], water=water, profile=_profile(dice, tank, max(levels)))
    kept = _with_vapour(dice, tank, kept)
    return [replace(kept, level=each) for each in levels]


def _marks(tank: Tank) -> list[float]:
    """Levels at which a rule changes."""
    marks = [0.0, tank.top, tank.bottom, tank.reference_height]
    for element in tank.elements:
        marks += [element.height + tank.margin, element.height + tank.margin * 2.0 / 3.0, element.height]
    if tank.roof is not None:
        marks += [tank.roof.low, tank.roof.high]
    if tank.hybrid is not None:
        marks.append(tank.hybrid.nozzle + tank.hybrid.minimum_head)
    if tank.table is not None:
        marks.append(tank.table.rows[len(tank.table.rows) // 2][0])
    marks += [each for each in (tank.minimum, tank.working) if each is not None]
    return marks


def _level(dice: Dice, tank: Tank) -> float:
    if dice.chance(0.3):
        mark = dice.choice(_marks(tank)) + dice.choice(_HAIRS)
        # The reference point of a cold shell stands a little lower, and no liquid above it.
        highest = tank.top if tank.shell is None else min(tank.top, tank.reference_height - 0.02)
        return min(max(mark, tank.bottom), highest)
    if dice.chance(0.03):
        return round(dice.uniform(0.0, 0.05) * tank.top, 4)
    return min(round(dice.uniform(0.08, 0.98) * tank.top, dice.one(1, 3, 4)), 0.99 * tank.top)


def _profile(dice: Dice, tank: Tank, level: float) -> Profile:
    """Within what the product is kept at; seldom at its very ends, or in layers."""
    if tank.manual_c is not None:
        return Profile(tank.manual_c)
    product = tank.product
    low, high = product.coldest_c, product.hottest_c
    if dice.chance(0.03):
        return Profile(dice.one(low, high))
    if dice.chance(0.35):
        return Profile(round(dice.uniform(low, high), dice.one(0, 1, 2)))
    across = dice.uniform(-0.1, 1.0) * min(6.0, 0.5 * (high - low))
    layer = dice.uniform(4.0, 20.0) if dice.chance(0.05) else 0.0
    layer = min(layer, 0.5 * (high - low))
    room = abs(across) + layer
    middle = dice.uniform(low + room, high - room) if high - low > 2.0 * room else 0.5 * (low + high)
    slope = across / max(level, 0.5)
    return Profile(middle - 0.5 * across - 0.5 * layer, slope, dice.uniform(0.2, 0.8) * level, layer)


def _water(dice: Dice, tank: Tank, level: float) -> float | None:
    if tank.water == "none":
        return None
    if tank.water == "dip":
        return tank.dip if tank.dip < level else None
    if dice.chance(0.3):
        return None
    most = min(0.3, 0.1 * tank.top, 0.5 * level)
    if tank.elements and dice.chance(0.15):
        mark = tank.elements[0].height + dice.choice(_HAIRS)
        if mark < 0.8 * level:
            return mark
    if tank.bottom < 0.0 and dice.chance(0.3):
        return dice.number(-0.019, 0.0, 3)
    return round(dice.uniform(0.0, max(most, 0.0)), dice.one(3, 4))


def _density(dice: Dice, tank: Tank) -> float:
    """What is really in it: as entered, or where it is measured a little off that."""
    if tank.density is None:
        return tank.product.typical_density
    if tank.hybrid is not None and tank.hybrid.in_use and tank.density.at == "reference":
        return tank.density.value + dice.uniform(-2.0, 2.0)
    return tank.density.value


def _with_vapour(dice: Dice, tank: Tank, state: State) -> State:
    surface_c = state.profile.at(state.level)
    if isinstance(tank.product.method, Lpg):
        vapour = tank.vapour
        assert vapour is not None
        warmer = dice.one(0.0, 0.5, 3.0)
        pure = vapour.component or ("propane" if tank.product.typical_density < 540.0 else "n-butane")
        gauge_pa = vapour_pressure(pure, surface_c) - vapour.atmosphere
        return replace(state, vapour_c=surface_c + warmer, vapour_pa=gauge_pa)
    pressure = 0.0
    if tank.pressurised:
        pressure = dice.number(0.0, 300e3, 0)
    elif tank.vapour_pressure is not None:
        pressure = dice.number(0.0, 20e3, 0)
    return replace(state, vapour_c=dice.one(state.ambient_c, surface_c), vapour_pa=pressure)
