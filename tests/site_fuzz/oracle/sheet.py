"""The whole sheet from what the instruments say, in the order of API MPMS 12.1.1."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from tests.site_fuzz.oracle.air import air_factor
from tests.site_fuzz.oracle.density import Basis, basis_of, corrected, density_figures
from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, Expected, best_of, of_said
from tests.site_fuzz.oracle.gas_space import vapour_figures
from tests.site_fuzz.oracle.levels import at_end, by_pressure, free_water, gauged, volume_at, water_level
from tests.site_fuzz.oracle.net import Net, net_volume, room_and_pumpable
from tests.site_fuzz.oracle.over_time import History
from tests.site_fuzz.oracle.temperature import average, celsius_of, spread_of, vapour_average
from tests.site_fuzz.oracle.volumes import full_volume
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN, Shown
from tests.site_fuzz.tanks import Gauge, Tank

__all__ = ["expected_sheet"]

_AWAY_C = 80.0


class Found(NamedTuple):
    level: Expected
    raw: Expected
    """The level as the first gauge has it, before an end of the volumes takes its place."""
    water: Expected
    temperature: Expected
    growth: float


def expected_sheet(
    tank: Tank, shown: Shown, used: Sequence[bool], history: History | None = None
) -> dict[str, Expected]:
    """By name of the figure; `used` are the elements that the sheet says are in its average (judged apart).

    `history`: of the sheets before this one, which is then a part of it.
    """
    elements = [celsius_of(each.signal, said) for each, said in zip(tank.elements, shown.elements, strict=True)]
    ambient = (
        NOT_APPLICABLE if tank.ambient is None or shown.ambient is None else celsius_of(tank.ambient, shown.ambient)
    )
    basis = basis_of(tank)
    found = _found(tank, shown, elements, used, ambient, basis)
    second = NOT_APPLICABLE
    if tank.second is not None:
        second = gauged(tank, tank.second, shown.second, _rises(tank.second, found.growth))
        if tank.second.measures == "ullage":
            second = second._replace(tolerance=second.tolerance + _unknown_growth(tank, found))
    if history is not None and history.doubts(shown.time_s, found.level, second):
        level = found.level.doubted()
        temperature = _no_better(level, found.temperature) if tank.elements else found.temperature
        found = found._replace(level=level, temperature=temperature)
    level, water, temperature = found.level, found.water, found.temperature
    tov = volume_at(tank, level, 0.0)
    pressure = of_said(shown.vapour_pa)
    basis, hybrid_figures = density_figures(tank, shown, basis, level, water, temperature)
    correction = corrected(tank, basis, temperature, pressure)
    net = Net(tank, free_water(tank, water, shown), temperature, ambient, correction.observed)
    figures = {
        "level": level,
        "ullage": _ullage(tank, found, level),
        "second_level": second,
        "level_difference": _difference(found.raw, second),
        "water_level": water,
        "liquid_temperature": temperature,
        "temperature_spread": _no_better(level, spread_of(elements, used, temperature)),
        "vapour_temperature": _no_better(level, _vapour_temperature(tank, elements, level)),
        "ambient_temperature": ambient,
        "bottom_pressure": of_said(shown.bottom_pa),
        "vapour_pressure": pressure,
        "tov": tov,
        "fill": _of(tov, lambda value: value / full_volume(tank)),
        **hybrid_figures,
        "free_water": net.free_water,
        "shell_temperature": net.shell,
        "ctsh": net.ctsh,
        "reference_density": correction.reference,
        "observed_density": correction.observed,
        "ctl": correction.ctl,
        "cpl": correction.cpl,
    }
    gov, head, roof = net_volume(net, level, tov)
    figures |= {"head_adjustment": head, "roof_displacement": roof, "gov": gov}
    figures |= room_and_pumpable(net, level, tov, gov)
    masses = _masses(tank, gov, correction.ctl, correction.cpl, correction.reference, correction.observed)
    return (
        figures
        | masses
        | vapour_figures(tank, tov, pressure, figures["vapour_temperature"], temperature, masses["mass"])
    )


def _found(
    tank: Tank,
    shown: Shown,
    elements: Sequence[Expected],
    used: Sequence[bool],
    ambient: Expected,
    basis: Basis,
) -> Found:
    """Level and temperature rest on each other where there are slices, a growing shell or a column: a few rounds."""
    growth = 0.0
    level, temperature, water = LOST, LOST, NOT_APPLICABLE
    raw, step = LOST, 0.001
    for _ in range(6):
        if tank.gauge.measures == "pressure":
            raw, water = _by_pressure(tank, shown, elements, used, basis)
            level = raw
        else:
            raw = level = gauged(tank, tank.gauge, shown.level, _rises(tank.gauge, growth))
            step = max(0.001, tank.gauge.signal.step)
            if level.value is None and tank.second is not None:
                level = gauged(tank, tank.second, shown.second, _rises(tank.second, growth)).doubted()
                step = max(0.001, tank.second.signal.step)
            water = water_level(tank, shown, level)
        if level.value is None:
            by_hand = average(tank, elements, used, 0.0, water)
            return Found(level, raw, water, Expected(None, level.best) if tank.elements else by_hand, growth)
        temperature = average(tank, elements, used, level.value, water)
        # A temperature that is no average of elements does not rest on the level.
        temperature = _no_better(level, temperature) if tank.elements else temperature
        before, growth = growth, _growth(tank, temperature, ambient)
        if abs(growth - before) < 1e-10:
            break
    found = Found(at_end(tank, level, step), raw, water, temperature, 0.0 if temperature.value is None else growth)
    open_ = _unknown_growth(tank, found)
    level, raw = found.level, found.raw
    return found._replace(
        level=level._replace(tolerance=level.tolerance + open_), raw=raw._replace(tolerance=raw.tolerance + open_)
    )


def _rises(gauge: Gauge, growth: float) -> float:
    """The reference point of an ullage gauge rides on the shell; an innage counts from the datum."""
    return growth if gauge.measures == "ullage" else 0.0


def _by_pressure(
    tank: Tank, shown: Shown, elements: Sequence[Expected], used: Sequence[bool], basis: Basis
) -> tuple[Expected, Expected]:
    unknown_level = water_level(tank, shown, NOT_APPLICABLE)

    def density_at(level: float, gas_pa: float) -> Expected:
        mean = average(tank, elements, used, level, unknown_level)
        if mean.value is None:
            return Expected(None, mean.best)
        density = basis.at(mean.value, gas_pa).observed
        return Expected(density, max(mean.best, basis.best))

    level = by_pressure(tank, shown, density_at, unknown_level)
    return level, water_level(tank, shown, level)


def _growth(tank: Tank, temperature: Expected, ambient: Expected) -> float:
    """Of the reference point of an ullage gauge, which rides on the shell (API MPMS 3.1B)."""
    shell = tank.shell
    if shell is None or temperature.value is None:
        return 0.0
    steel_c = temperature.value
    if not shell.insulated and ambient.value is not None:
        steel_c = (7.0 * temperature.value + ambient.value) / 8.0
    return tank.reference_height * shell.coefficient * (steel_c - shell.table_c)


def _ullage(tank: Tank, found: Found, level: Expected) -> Expected:
    """From the reference point as it stands now down to the surface."""
    ullage = _of(level, lambda value: tank.reference_height + found.growth - value)
    return ullage._replace(tolerance=1e-5 + level.tolerance + _unknown_growth(tank, found))


def _unknown_growth(tank: Tank, found: Found) -> float:
    """By what the reference point may stand off where some temperature stands in for one that is not measured."""
    if tank.shell is None or found.temperature.value is not None:
        return 0.0
    return tank.reference_height * tank.shell.coefficient * _AWAY_C


def _of(part: Expected, relation: Callable[[float], float]) -> Expected:
    if part.value is None:
        return part
    value = relation(part.value)
    slope = abs(relation(part.value + 1e-6) - value) * 1e6
    return Expected(value, part.best, slope * part.tolerance + 1e-9)


def _no_better(level: Expected, part: Expected) -> Expected:
    return part._replace(best=max(part.best, level.best)) if part.enters else part


def _vapour_temperature(tank: Tank, elements: Sequence[Expected], level: Expected) -> Expected:
    return Expected(None, level.best) if level.value is None else vapour_average(tank, elements, level.value)


def _difference(level: Expected, second: Expected) -> Expected:
    if level.value is None or second.value is None:
        return NOT_APPLICABLE if GOOD in (level.best, second.best) or BAD in (level.best, second.best) else LOST
    return Expected(level.value - second.value, best_of(level, second), level.tolerance + second.tolerance)


def _masses(
    tank: Tank, gov: Expected, ctl: Expected, cpl: Expected, reference: Expected, observed: Expected
) -> dict[str, Expected]:
    """GSV = GOV CTL CPL, NSV = GSV (1 - S&W), mass = GSV rho_ref = GOV rho_obs."""
    share = NOT_APPLICABLE if tank.sediment is None else Expected(tank.sediment, GOOD, 1e-12)
    if ctl.enters:
        gsv = _product(gov, ctl, cpl)
        nsv = NOT_APPLICABLE if share.value is None else _of(gsv, partial(_less, share.value))
    else:
        gsv = nsv = NOT_APPLICABLE
    by_reference = gsv.enters and reference.enters
    mass = _product(gsv, reference) if by_reference else _product(gov, observed)
    density = reference if by_reference else observed
    air = LOST
    if density.value is not None:
        air = Expected(air_factor(density.value, tank.product), density.best, 1e-9)
    in_air = _product(mass, air)
    net = net_in_air = NOT_APPLICABLE
    if nsv.enters and reference.enters:
        net = _product(nsv, reference)
        net_in_air = _product(net, air)
    fraction = _solute(tank)
    solute = NOT_APPLICABLE if fraction is None else _of(mass, lambda value: value * fraction)
    return {
        "gsv": gsv,
        "sediment_water": share,
        "nsv": nsv,
        "mass": mass,
        "weight_in_air": in_air,
        "net_mass": net,
        "net_weight_in_air": net_in_air,
        "solute_mass": solute,
    }


def _less(share: float, volume: float) -> float:
    return volume * (1.0 - share)


def _solute(tank: Tank) -> float | None:
    fraction = getattr(tank.product.method, "fraction", None)
    return tank.product.solute_fraction if fraction is None else float(fraction)


def _product(*parts: Expected) -> Expected:
    best = best_of(*parts)
    if any(part.value is None for part in parts):
        return Expected(None, max(best, UNCERTAIN)) if best != BAD else LOST
    value, relative = 1.0, 0.0
    for part in parts:
        assert part.value is not None
        value *= part.value
        relative += part.tolerance / abs(part.value) if part.value else 0.0
    floor = parts[0].tolerance * abs(value / parts[0].value) if parts[0].value else parts[0].tolerance * 2000.0
    return Expected(value, best, max(abs(value) * (relative + 1e-12), floor))
