"""What the instruments of a tank show of a true state, each at its own resolution, and their faults."""

from tests.site_fuzz.oracle.columns import column_of
from tests.site_fuzz.oracle.contents import column_mean, contents
from tests.site_fuzz.oracle.corrected import OutsideError
from tests.site_fuzz.states import Said, Shown, State
from tests.site_fuzz.tanks import Gauge, Tank
from tests.site_fuzz.world.dice import Dice
from tests.site_fuzz.world.signals import shown

__all__ = ["show"]


def show(dice: Dice, tank: Tank, state: State, time_s: float) -> Shown:
    """With every instrument in order."""
    gauge = tank.gauge
    bottom = gauge.signal if gauge.measures == "pressure" else None
    if tank.hybrid is not None:
        bottom = tank.hybrid.signal
    vapour = tank.vapour_pressure
    return Shown(
        time_s=time_s,
        level=None if gauge.measures == "pressure" else _gauged(dice, tank, gauge, state),
        second=None if tank.second is None else _gauged(dice, tank, tank.second, state),
        bottom_pa=None if bottom is None else Said(max(0.0, shown(bottom, bottom_pressure(tank, state)))),
        vapour_pa=None if vapour is None else Said(shown(vapour, state.vapour_pa)),
        water=_water(dice, tank, state),
        elements=tuple(
            Said(shown(each.signal, state.profile.at(each.height) if each.height <= state.level else state.vapour_c))
            for each in tank.elements
        ),
        ambient=None if tank.ambient is None else Said(shown(tank.ambient, state.ambient_c)),
        dip_water=tank.dip if tank.water == "dip" else None,
        # A dip that is higher than the liquid now stands was taken of another filling.
        lies=tank.water == "dip" and state.water is None,
    )


def _gauged(dice: Dice, tank: Tank, gauge: Gauge, state: State) -> Said:
    """The offset is what an installation is wrong by, so the gauge shows that much less (or as ullage more).

    The reference point of an ullage gauge rides on the shell, and rises as the shell grows (API MPMS 3.1B).
    """
    if gauge.measures == "ullage":
        value = tank.reference_height + growth(tank, state) - state.level + gauge.offset
    else:
        value = state.level - gauge.offset
    return Said(shown(gauge.signal, value))


def growth(tank: Tank, state: State) -> float:
    """By how much the shell is higher than at the temperature of its table."""
    shell = tank.shell
    if shell is None:
        return 0.0
    try:
        liquid_c = contents(tank, state).mean_c
    except OutsideError:
        liquid_c = state.profile.at(state.level)
    steel_c = liquid_c if shell.insulated else (7.0 * liquid_c + state.ambient_c) / 8.0
    return tank.reference_height * shell.coefficient * (steel_c - shell.table_c)


def bottom_pressure(tank: Tank, state: State) -> float:
    """Gauge pressure at the nozzle of what is truly above it."""
    column = column_of(tank, state.vapour_pa)
    water = min(state.water or 0.0, state.level)
    low = max(column.nozzle, water)
    try:
        inside = contents(tank, state)
        gas_pa = state.vapour_pa if tank.pressurised else 0.0
        mean = column_mean(state, low, lambda c: inside.liquid.at(c, gas_pa).observed)
        product = max(0.0, state.level - low) * mean
    except OutsideError:
        return 0.0
    return state.vapour_pa + column.pressure(product, max(state.level, column.nozzle), water)


def _water(dice: Dice, tank: Tank, state: State) -> Said | None:
    if tank.probe is None:
        return None
    if state.water is None:
        # Dry: a probe with a word for it says so, another shows nought.
        return Said(None, why="none_detected") if tank.probe.kind == "int16" else Said(0.0)
    return Said(shown(tank.probe, state.water))
