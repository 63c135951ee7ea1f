"""The sheet of what is truly in the tank, and how far off an honest sheet may be from it.

The tolerances follow from what the instruments resolve and from where the elements stand:

level          half a step of the gauge, or of the transmitters' pressure over g rho, and its share of the density's
water level    half a step of the probe, or the least it sees
temperature    half a step of an element, plus sum over the slices of (share x greatest |T(z) - T(element)| in it),
               plus, where all count alike, |sum (1/n - share) T(element)|
volumes        what the level's tolerance is worth there, the error of a table's straight lines, that of the water
factors        the change of the factor over the temperature's tolerance, and half its bend times the spread squared
densities      as factors; entered ones half their last digit
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import NamedTuple

from tests.site_fuzz.oracle.air import air_factor
from tests.site_fuzz.oracle.columns import WATER
from tests.site_fuzz.oracle.contents import Contents, column_mean, contents
from tests.site_fuzz.oracle.corrected import Fixed, OutsideError
from tests.site_fuzz.oracle.gas import vapour_density
from tests.site_fuzz.oracle.gas_space import EQUATION_OF_STATE
from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.oracle.stretch import stretch
from tests.site_fuzz.oracle.temperature import weights
from tests.site_fuzz.oracle.volumes import full_volume, heel_of, table_volume
from tests.site_fuzz.products import Petroleum1980
from tests.site_fuzz.states import Shown, State
from tests.site_fuzz.tanks import Gauge, Signal, Tank

__all__ = ["Near", "true_sheet"]

_FLOAT32 = 6e-8
_SHELL_AWAY_C = 80.0
"""A shell of unknown temperature is no further than this from that of its table."""
_WITH_ROOF = ("roof_displacement", "gov", "gsv", "nsv", "mass", "weight_in_air", "pumpable", "room")


class Near(NamedTuple):
    """A true value, and how far from it an honest figure may be."""

    value: float
    tolerance: float


class Truth(NamedTuple):
    tank: Tank
    state: State
    inside: Contents
    used: tuple[int, ...]
    """Elements in the sheet's average."""
    temperature: Near
    ambient_c: float | None
    """As it is shown; None: not known."""


def true_sheet(tank: Tank, state: State, shown: Shown, used: Sequence[bool]) -> dict[str, Near]:
    """By figure; those that are not named cannot be told from the truth alone."""
    try:
        inside = contents(tank, state)
        chosen = tuple(index for index, each in enumerate(used) if each)
        ambient_c = None if shown.ambient is None else shown.ambient.value
        truth = Truth(tank, state, inside, chosen, _temperature(tank, state, inside, chosen), ambient_c)
        figures = _sheet(truth)
    except OutsideError:
        return {}
    if tank.roof is None:
        return figures
    # Within what the gauge resolves of the critical zone nobody can say how far the roof is afloat.
    for level in (state.level, tank.minimum, tank.working):
        near = figures["level"].tolerance if level == state.level else 0.0
        if level is not None and tank.roof.low - near <= level <= tank.roof.high + near:
            names = _WITH_ROOF if level == state.level else ("pumpable",) if level == tank.minimum else ("room",)
            figures = {name: each for name, each in figures.items() if name not in names}
    return figures


def _step(signal: Signal, value: float) -> float:
    """Half of what it resolves around a value."""
    if signal.step:
        return 0.5 * signal.step + 1e-9
    return _FLOAT32 * max(abs(value), 1e-3) + 1e-9


def _temperature(tank: Tank, state: State, inside: Contents, used: tuple[int, ...]) -> Near:
    mean_c = inside.mean_c
    if not used:
        return Near(mean_c, abs((tank.manual_c or 0.0) - mean_c) + 1e-6)
    heights = [tank.elements[index].height for index in used]
    at = [state.profile.at(height) for height in heights]
    bottom = tank.bottom if state.water is None else max(tank.bottom, state.water)
    borders = [bottom, *(0.5 * (low + high) for low, high in pairwise(heights)), state.level]
    within = [0.0] * len(used)
    shares = [0.0] * len(used)
    for layer in inside.layers:
        index = next((i for i, edge in enumerate(borders[1:-1]) if layer.height <= edge), len(used) - 1)
        shares[index] += layer.share
        within[index] = max(within[index], abs(layer.celsius - at[index]))
    # A layer may straddle a border of two slices, and its ends differ from its middle.
    half_layer = 0.5 * abs(state.profile.per_m) * max(0.0, state.level - bottom) / max(1, len(inside.layers) - 1)
    given = weights(tank, heights, state.level, state.water)
    unequal = abs(sum((g - s) * t for g, s, t in zip(given, shares, at, strict=True)))
    resolution = max(_element_step(tank.elements[index].signal) for index in used)
    spread = sum(share * worst for share, worst in zip(shares, within, strict=True))
    return Near(mean_c, spread + unequal + 2.0 * half_layer + resolution)


def _element_step(signal: Signal) -> float:
    if signal.ohm is not None:
        return 0.5 * signal.step / (signal.ohm * 3.7e-3) + 1e-6
    return 0.5 * signal.step + 1e-4


def _sheet(truth: Truth) -> dict[str, Near]:
    tank, state, inside = truth.tank, truth.state, truth.inside
    celsius = truth.temperature
    cpl = _cpl(truth, inside.liquid)
    ctl, observed = _factors(truth, cpl)
    level = _level(truth, observed)
    gross = _volume(tank, state.level, level)
    figures = {"level": Near(state.level, level), "liquid_temperature": celsius}
    contained = _contained(tank, state.level)
    steeper = abs(_contained(tank, state.level + level) - contained)
    figures["tov"] = Near(gross.value + contained, gross.tolerance + steeper)
    figures["observed_density"] = observed
    if ctl is not None:
        figures["ctl"] = ctl
    water = _water(tank, state)
    ctsh, shell = _shell(truth)
    if shell is not None:
        figures |= {"shell_temperature": shell, "ctsh": ctsh}
    if tank.water != "none":
        figures["free_water"] = water
    gov, fra = _gov(truth, state.level, gross, water, ctsh, observed)
    figures["gov"] = gov
    if tank.roof is not None:
        deducted = 0.0 if tank.table is None or tank.table.roof_density is None else 1.0 / tank.table.roof_density
        afloat = deducted * tank.roof.mass if state.level > tank.roof.low else 0.0
        figures["roof_displacement"] = Near(fra.value + afloat, fra.tolerance + 1e-9)
    for name, mark, sign in (("pumpable", tank.minimum, 1.0), ("room", tank.working, -1.0)):
        if mark is not None:
            there, _ = _gov(truth, mark, _volume(tank, mark, 0.0), water, ctsh, observed)
            at_mark = there if name == "room" else Near(max(0.0, there.value), there.tolerance)
            figures[name] = Near(max(0.0, sign * (gov.value - at_mark.value)), gov.tolerance + at_mark.tolerance)
    mass = _times(gov, observed)
    figures["mass"] = mass
    reference = inside.liquid.reference_density
    if ctl is not None:
        figures["cpl"] = cpl
        figures["gsv"] = gsv = _times(gov, ctl, cpl)
        if tank.sediment is not None:
            figures["nsv"] = Near(gsv.value * (1.0 - tank.sediment), gsv.tolerance)
    in_air = air_factor(reference if reference is not None else observed.value, tank.product)
    figures["weight_in_air"] = Near(mass.value * in_air, mass.tolerance * 1.001)
    if tank.vapour is not None:
        figures |= _vapour(truth, gross, mass)
    return figures


def _times(*parts: Near) -> Near:
    value = 1.0
    for part in parts:
        value *= part.value
    grown = 1.0
    for part in parts:
        grown *= abs(part.value) + part.tolerance
    return Near(value, grown - abs(value) + 1e-9)


def _over(layers: Contents, relation: Callable[[float], float]) -> float:
    return sum(layer.share * relation(layer.celsius) for layer in layers.layers)


def _factors(truth: Truth, cpl: Near) -> tuple[Near | None, Near]:
    """CTL and density of the liquid, each the mean over its volume."""
    liquid, inside = truth.inside.liquid, truth.inside
    observed = _times(_mean(truth, lambda c: liquid.at(c, 0.0).observed), cpl)
    tank = truth.tank
    steps = _rounding(truth)
    slack = observed.value * steps
    if tank.hybrid is not None and tank.hybrid.in_use:
        slack += _hybrid_slack(truth)
    if tank.density is not None and tank.density.at == "tank":
        # What is observed at a temperature that is a little off belongs to another density at reference.
        slack += observed.value * 1.5e-3 * truth.temperature.tolerance
        if isinstance(tank.product.method, Petroleum1980):
            # The rounds of 1980 end as soon as they change it by less than this.
            slack += 0.05
    observed = Near(observed.value, observed.tolerance + slack + 1e-6)
    if inside.liquid.at(inside.mean_c, 0.0).ctl is None:
        return None, observed
    ctl = _mean(truth, lambda c: liquid.at(c, 0.0).ctl or 1.0)
    share = liquid.at(inside.mean_c, 0.0).slack
    # A density that is a little off moves CTL too: most in the transition zone, on a hot day by about as much.
    return Near(ctl.value, ctl.tolerance + steps + share + slack / observed.value + 1e-9), observed


def _rounding(truth: Truth) -> float:
    """What rounding by a standard may move a factor by: half a step of it, of the temperature and of the density."""
    if not truth.tank.product.rounded:
        return 0.0
    return 5e-5 + 0.03 * 2e-3 + 0.05 / 500.0


def _mean(truth: Truth, relation: Callable[[float], float]) -> Near:
    """Of a relation over the liquid, against the relation of the mean temperature that a sheet has."""
    inside, off = truth.inside, truth.temperature.tolerance
    value = _over(inside, relation)
    at_mean = relation(inside.mean_c)
    around = [at_mean]
    for celsius in (inside.mean_c - off, inside.mean_c + off):
        try:
            around.append(relation(celsius))
        except OutsideError:
            around.append(at_mean + 2e-3 * off * abs(at_mean))
    return Near(value, max(abs(each - at_mean) for each in around) * 1.1 + abs(value - at_mean))


def _hybrid_slack(truth: Truth) -> float:
    """kg/m3 by which a measured density may be off: the pressures' steps, the level's, and heads that are left out."""
    tank, state, hybrid = truth.tank, truth.state, truth.tank.hybrid
    assert hybrid is not None
    height = max(state.level - hybrid.nozzle, hybrid.minimum_head)
    pressure = tank.gravity * 1000.0 * height + abs(state.vapour_pa)
    steps = _step(hybrid.signal, pressure)
    if tank.vapour_pressure is not None:
        steps += _step(tank.vapour_pressure, state.vapour_pa)
    density = truth.inside.liquid.at(truth.inside.mean_c, 0.0).observed
    slack = steps / (tank.gravity * height) + density * _level(truth, Near(density, 0.0)) / height
    if tank.probe is not None and state.water is not None:
        slack += _step(tank.probe, state.water) * abs(WATER - density) / height
    # These small parts also act on each other.
    return 1.05 * slack + _uneven(truth, hybrid.nozzle)


def _uneven(truth: Truth, nozzle: float) -> float:
    """By how much the mean density of the column over the nozzle differs from that of the whole liquid, kg/m3."""
    state, liquid = truth.state, truth.inside.liquid
    if not state.profile.per_m and not state.profile.layer_c:
        return 0.0
    low = max(nozzle, state.water or 0.0)
    column = column_mean(state, low, lambda c: liquid.at(c, 0.0).observed)
    return abs(column - _over(truth.inside, lambda c: liquid.at(c, 0.0).observed))


def _gauge_step(tank: Tank, gauge: Gauge) -> float:
    return _step(gauge.signal, tank.reference_height)


def _level(truth: Truth, observed: Near) -> float:
    tank, state, gauge = truth.tank, truth.state, truth.tank.gauge
    if gauge.measures != "pressure":
        steps = _gauge_step(tank, gauge)
        if tank.shell is not None:
            # The growth of the shell goes by its temperature as far as that is known.
            covered = [tank.elements[i].height + tank.margin * 0.66 < state.level for i in truth.used]
            measured = (covered and all(covered)) or not tank.elements
            off_c = truth.temperature.tolerance + 0.1 if measured else _SHELL_AWAY_C
            if truth.ambient_c is None:
                off_c += abs(truth.temperature.value - state.ambient_c) / 8.0
            steps += tank.reference_height * tank.shell.coefficient * off_c
        return steps
    height = max(0.0, state.level - gauge.nozzle)
    pressure = tank.gravity * observed.value * height + abs(state.vapour_pa)
    steps = _step(gauge.signal, pressure)
    if tank.vapour_pressure is not None:
        steps += _step(tank.vapour_pressure, state.vapour_pa)
    level = steps / (tank.gravity * observed.value) + height * observed.tolerance / observed.value + 1e-6
    # These small parts also act on each other.
    level = 1.01 * (level + height * _uneven(truth, gauge.nozzle) / observed.value)
    if tank.probe is None or state.water is None:
        return level
    return level + _step(tank.probe, state.water) * abs(WATER / observed.value - 1.0)


def _volume(tank: Tank, level: float, off: float) -> Near:
    """True volume at a level; off by what the level may be, and by the straight lines of a table."""
    volumes = volumes_of(tank)
    inside = min(max(level, 0.0 if tank.table is None else tank.bottom), volumes.top)
    value = volumes.at(inside)
    off *= 1.001
    low, high = max(tank.bottom, inside - off), min(tank.top, inside + off)
    given = [_given(tank, each) for each in (low, min(max(inside, tank.bottom), tank.top), high)]
    return Near(value, max(abs(each - value) for each in given) + 2e-9 * volumes.at(volumes.top) + 1e-4)


def _given(tank: Tank, level: float) -> float:
    """What the tank's volumes say, without roof and stretch that a table may contain."""
    return table_volume(tank, level) - _contained(tank, level)


def _contained(tank: Tank, level: float) -> float:
    """What a table holds beside the room inside the tank: the stretch under a liquid, less a roof."""
    table, roof = tank.table, tank.roof
    contained = 0.0
    if table is not None and table.head_density is not None and tank.head is not None:
        contained += stretch(tank.head, max(0.0, level), table.head_density, tank.gravity)
    if table is not None and table.roof_density is not None and roof is not None:
        contained -= min(1.0, max(0.0, (level - roof.low) / (roof.high - roof.low))) * roof.mass / table.roof_density
    return contained


def _water(tank: Tank, state: State) -> Near:
    if tank.water == "none":
        return Near(0.0, 0.0)
    if state.water is None:
        held = heel_of(tank) if tank.heel_holds == "water" else 0.0
        return Near(held, table_volume(tank, max(0.0, tank.bottom)) - heel_of(tank) + 1e-6)
    off = 1e-9 if tank.probe is None else _step(tank.probe, state.water)
    if state.water > state.level - 0.002:
        off += 0.001  # a millimetre of two instruments is water up to the surface
    water = _volume(tank, state.water, off)
    if tank.heel_holds == "product":
        water = Near(max(0.0, water.value - heel_of(tank)), water.tolerance)
    # A table's stretch belongs to a full column of liquid, and is in the volume of the water too.
    contained = 0.0 if tank.table is None or tank.table.head_density is None else tank.table.head_density
    stretched = 0.0 if tank.head is None else stretch(tank.head, max(0.0, state.water), contained, tank.gravity)
    return Near(water.value, water.tolerance + stretched)


def _shell(truth: Truth) -> tuple[Near, Near | None]:
    shell = truth.tank.shell
    if shell is None:
        return Near(1.0, 0.0), None
    liquid = truth.temperature
    steel = liquid
    if not shell.insulated:
        steel = Near((7.0 * liquid.value + truth.state.ambient_c) / 8.0, liquid.tolerance + 0.1)
    factor = (1.0 + shell.coefficient * (steel.value - shell.table_c)) ** 2
    return Near(factor, 2.1 * shell.coefficient * steel.tolerance), steel


def _gov(truth: Truth, level: float, gross: Near, water: Near, ctsh: Near, observed: Near) -> tuple[Near, Near]:
    tank, roof = truth.tank, truth.tank.roof
    head = Near(0.0, 0.0)
    if tank.head is not None:
        whole = stretch(tank.head, max(0.0, level), 1.0, tank.gravity)
        head = Near(whole * observed.value, whole * observed.tolerance * 1.01 + 0.01 * whole * observed.value)
    fra = Near(0.0, 0.0)
    if roof is not None and level > roof.low:
        # Just above its zone the roof may not be quite afloat, just below not quite landed: see `true_sheet`.
        fra = Near(-roof.mass / observed.value, roof.mass / observed.value * observed.tolerance / observed.value * 1.01)
    inside = gross.value + head.value - water.value
    value = inside * ctsh.value + fra.value
    if roof is not None and tank.table is not None and tank.table.roof_density is not None:
        # CTSh is applied to the volume of the table, from which the roof is taken already (API MPMS 12.1.1).
        fra = Near(fra.value, fra.tolerance + roof.mass / tank.table.roof_density * abs(ctsh.value - 1.0))
    tolerance = (gross.tolerance + head.tolerance + water.tolerance) * 1.01 + abs(inside) * ctsh.tolerance
    return Near(value, tolerance + fra.tolerance), fra


def _cpl(truth: Truth, liquid: Fixed) -> Near:
    tank, gauge_pa = truth.tank, truth.state.vapour_pa
    if not tank.pressurised or tank.vapour_pressure is None:
        return Near(1.0, 0.0)
    here = liquid.at(truth.inside.mean_c, gauge_pa).cpl or 1.0
    off = 2.0 * _step(tank.vapour_pressure, gauge_pa) + 5000.0 * tank.product.rounded
    return Near(here, 2e-9 * off + abs(here - 1.0) * 0.02 * truth.temperature.tolerance + 1e-9 + _rounding(truth))


def _vapour(truth: Truth, gross: Near, mass: Near) -> dict[str, Near]:
    tank, state, vapour = truth.tank, truth.state, truth.tank.vapour
    assert vapour is not None
    if vapour.component is None:
        return {}
    space = full_volume(tank) - gross.value
    density = vapour_density(vapour.component, state.vapour_pa + vapour.atmosphere, state.vapour_c)
    above = [each for each in tank.elements if each.height >= state.level + 0.5]
    if not above:
        # The liquid's temperature stands in for the vapour's.
        density_off = density * (EQUATION_OF_STATE + 0.012 * abs(state.vapour_c - truth.inside.mean_c) + 0.01)
    else:
        density_off = density * (EQUATION_OF_STATE + 0.01)
    value = Near(space * density, abs(space) * density_off + gross.tolerance * density + 1e-3)
    return {
        "vapour_density": Near(density, density_off),
        "vapour_mass": value,
        "total_mass": Near(value.value + mass.value, value.tolerance + mass.tolerance),
    }
