"""Faults of instruments: what is said of a state when something is broken, and whether it gives itself away."""

from collections.abc import Callable
from dataclasses import replace

from tests.site_fuzz.states import BAD, UNCERTAIN, Said, Shown
from tests.site_fuzz.tanks import Tank
from tests.site_fuzz.world.dice import Dice

__all__ = ["FAULTS", "with_fault", "with_spike"]

Fault = Callable[[Dice, Tank, Shown], Shown | None]
"""None: the tank has nothing that could break so."""


def with_fault(dice: Dice, tank: Tank, given: Shown) -> Shown:
    """One fault of those that the tank can have."""
    name = dice.choice(tuple(FAULTS))
    broken = FAULTS[name](dice, tank, given)
    return given if broken is None else replace(broken, faults=(*given.faults, name))


def with_spike(dice: Dice, tank: Tank, given: Shown) -> Shown:
    """A level that jumps for one reading, by more than any pump moves in the time."""
    if given.level is None or given.level.value is None:
        return given
    jump = dice.one(-1.0, 1.0) * dice.uniform(0.1, 0.5) * tank.top
    level = Said(max(0.0, given.level.value + jump))
    return replace(given, level=level, lies=True, faults=(*given.faults, "level spike"))


def _lost(why: str) -> Said:
    return Said(None, BAD, why)


def _element_open(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    if not given.elements:
        return None
    index = dice.randrange(len(given.elements))
    elements = [*given.elements]
    elements[index] = _lost(dice.one("sentinel", "out_of_range"))
    return replace(given, elements=tuple(elements))


def _elements_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return replace(given, elements=tuple(_lost("no_answer") for _ in given.elements)) if given.elements else None


def _element_uncertain(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    if not given.elements:
        return None
    index = dice.randrange(len(given.elements))
    elements = [*given.elements]
    elements[index] = replace(elements[index], quality=UNCERTAIN, why="no_answer", age_s=20.0)
    return replace(given, elements=tuple(elements))


def _element_astray(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    """It reads what could be true, and is not: within a few degrees nobody can tell."""
    if not given.elements:
        return None
    index = dice.randrange(len(given.elements))
    elements = [*given.elements]
    value = elements[index].value
    if value is None or tank.elements[index].signal.ohm is not None:
        return None
    elements[index] = Said(value + dice.one(-1.0, 1.0) * dice.one(2.0, 7.0, 25.0))
    return replace(given, elements=tuple(elements), lies=True)


def _level_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    why = dice.one("no_connection", "sentinel", "instrument_fault")
    if given.level is None:
        return replace(given, bottom_pa=_lost(why)) if tank.gauge.measures == "pressure" else None
    return replace(given, level=_lost(why))


def _level_uncertain(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    if given.level is None:
        return None
    return replace(given, level=replace(given.level, quality=UNCERTAIN, why="loop_outside_span"))


def _level_stale(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.level is None else replace(given, level=replace(given.level, age_s=300.0))


def _level_overdue(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.level is None else replace(given, level=replace(given.level, age_s=40.0))


def _second_off(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    if given.second is None or given.second.value is None:
        return None
    return replace(given, second=Said(given.second.value + dice.one(0.02, -0.05)))


def _probe_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.water is None else replace(given, water=_lost("no_answer"))


def _probe_above_level(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    if given.water is None:
        return None
    return replace(given, water=Said(tank.reference_height + dice.one(0.5, -0.001)), lies=True)


def _probe_below(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.water is None else replace(given, water=Said(-dice.one(0.021, 0.05, 1.0)), lies=True)


def _ambient_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.ambient is None else replace(given, ambient=_lost("no_answer"))


def _vapour_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.vapour_pa is None else replace(given, vapour_pa=_lost("loop_failed"))


def _pressure_lost(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    return None if given.bottom_pa is None else replace(given, bottom_pa=_lost("loop_failed"))


def _valve_closed(dice: Dice, tank: Tank, given: Shown) -> Shown | None:
    """An isolating valve before the bottom pressure transmitter: hardly any pressure is left."""
    if given.bottom_pa is None:
        return None
    return replace(given, bottom_pa=Said(dice.one(0.0, 1.0, 50.0)), lies=True)


FAULTS: dict[str, Fault] = {
    "element open": _element_open,
    "all elements lost": _elements_lost,
    "element not heard": _element_uncertain,
    "element astray": _element_astray,
    "level lost": _level_lost,
    "level uncertain": _level_uncertain,
    "level stale": _level_stale,
    "level overdue": _level_overdue,
    "second gauge off": _second_off,
    "probe lost": _probe_lost,
    "probe above the level": _probe_above_level,
    "probe below the bottom": _probe_below,
    "ambient lost": _ambient_lost,
    "vapour pressure lost": _vapour_lost,
    "bottom pressure lost": _pressure_lost,
    "valve before the bottom pressure closed": _valve_closed,
}
