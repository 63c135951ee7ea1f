"""What each of the ten demo tanks must show in a given state, stated a second time and independently.

Written from the worksheet of the demo site (worksheet.py, after `config/demo/wiring.md`) and the published relations
alone: API MPMS 12.1.1 for the order of the sheet and the floating roof, the exponential form of API MPMS 11.1 with a
constant coefficient, weight in air as in API MPMS 12.1.1 (air 1.2 kg/m3, weights 8000 kg/m3), Raoult's law with the
vapour pressures of CoolProp for what a pressure above a mixture may be. It imports nothing from
`gateway` and nothing from `simulators`. Values are exact fractions until they have become what the wire carries, so
that "exactly on the margin" means that.

Qualities are 0 Good, 1 Uncertain, 2 Bad. A figure that does not apply to a tank is Good and has no value.
"""

import math
import struct
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from CoolProp.CoolProp import PropsSI

from tests.end_to_end.worksheet import SIXTEENTH, TANKS, Tank

__all__ = [
    "AIR_DENSITY",
    "GRAVITY",
    "WORDS",
    "Expected",
    "OpenQuestionError",
    "State",
    "expected",
    "own_pressure",
    "rounded",
    "shown_level",
]

GRAVITY = 9.80665
"""m/s2, as the demo site states it."""
AIR_DENSITY = 1.2
"""kg/m3 of the air beside a vented tank and above its liquid (OIML D 28, conventional)."""
LEAST_HEAD_M = Fraction(1, 10)
"""With less liquid above a nozzle whose transmitter is good to 0.2 kPa the tank may be empty (common practice)."""
WORDS = ("Good", "Uncertain", "Bad")
ON_THE_MARK_M = Fraction(1, 1_000_000)
"""A level within a micrometre of a mark has reached it (common practice: no gauge resolves it, no float32 holds it)."""
VAPOUR_CLEARANCE_M = Fraction(1, 2)
REACH_M = Fraction(7, 2)
"""Beyond this from every element used the liquid is not known (common practice)."""
DRY = Fraction(-1)
"""Free water of a tank without a probe."""


class OpenQuestionError(Exception):
    """The state stands where the worksheet leaves it open what must be shown (a tie in a rounding, for instance)."""


@dataclass(frozen=True)
class State:
    """What stands in a tank. `pressure_pa`: gauge, at the nozzle or of the vapour, where there is a transmitter."""

    level_m: Fraction
    temperatures_c: tuple[Fraction, ...]
    water_m: Fraction = Fraction(0)
    pressure_pa: Fraction = Fraction(0)
    liquid_c: Fraction | None = None
    """Of the liquid where no element stands in it."""


@dataclass(frozen=True)
class Expected:
    """Figure -> (SI value or None, quality), and which elements are in the average, lowest first."""

    figures: dict[str, tuple[float | None, int]]
    used: tuple[bool, ...]


def rounded(value: Fraction, step: Fraction) -> Fraction:
    """To the nearest step. Raises OpenQuestionError at a tie, which instruments are free to round either way."""
    count = value / step
    if abs(count - math.floor(count) - Fraction(1, 2)) < Fraction(1, 10**6):
        raise OpenQuestionError(f"{value} is half way between two steps of {step}")
    return round(count) * step


def as_float32(value: Fraction) -> Fraction:
    return Fraction(struct.unpack("f", struct.pack("f", float(value)))[0])


def shown_level(tank: Tank, level: Fraction) -> Fraction:
    """What a level gauge says, as innage."""
    if tank.level_step is None:
        return as_float32(level)
    if tank.by_ullage:
        return tank.reference_height - rounded(tank.reference_height - level, tank.level_step)
    return rounded(level, tank.level_step)


def shown_temperature(tank: Tank, celsius: Fraction) -> float:
    if tank.fahrenheit:
        return float((rounded(celsius * 9 / 5 + 32, Fraction(1, 10)) - 32) * 5 / 9)
    return float(as_float32(celsius) if tank.temperature_step is None else rounded(celsius, tank.temperature_step))


def density(tank: Tank, celsius: float) -> float | None:
    """kg/m3 at tank temperature; None outside the range that the product's density is given for."""
    if tank.slope_kg_m3_k is not None:
        reference, at = tank.density_at
        low, high = tank.density_range_c
        return reference + tank.slope_kg_m3_k * (celsius - at) if low <= celsius <= high else None
    assert tank.reference_density is not None
    return tank.reference_density * correction(tank, celsius)


def correction(tank: Tank, celsius: float) -> float:
    """CTL = exp(-a dT (1 + 0.8 a dT)), API MPMS 11.1 with a constant coefficient."""
    x = tank.expansion_per_k * (celsius - tank.reference_c)
    return math.exp(-x * (1 + 0.8 * x))


def own_pressure(propane: float, celsius: float) -> float:
    """Pa absolute over a liquid of propane and n-butane, by Raoult's law."""
    pure = [PropsSI("P", "T", celsius + 273.15, "Q", 0, name) for name in ("Propane", "n-Butane")]
    return propane * float(pure[0]) + (1.0 - propane) * float(pure[1])


def is_its_own(propane: float, gauge_pa: float, celsius: float) -> bool:
    """Whether a pressure is what the liquid makes. Raises OpenQuestionError where Raoult's law is too coarse to say."""
    own = own_pressure(propane, celsius)
    band, away = max(0.15 * own, 50e3), abs(gauge_pa + 101_325.0 - own)
    if abs(away - band) < 0.04 * own:
        raise OpenQuestionError(f"{gauge_pa} Pa is at the edge of what {propane} of propane makes at {celsius} degC")
    return away < band


def carried_far(tank: Tank, celsius: float) -> int:
    """1, Uncertain, where a coefficient of which no range is stated is used over 50 K from its reference; else 0."""
    return int(tank.expansion_per_k > 0.0 and abs(celsius - tank.reference_c) > 50.0)


def in_average(tank: Tank, level: Fraction, water: Fraction) -> tuple[bool, ...]:
    """From rest, so the entering threshold counts: covered by the margin, and above the free water."""
    return tuple(
        level >= height + tank.margin - ON_THE_MARK_M and height > water + ON_THE_MARK_M for height in tank.elements
    )


def farthest(heights: list[Fraction], water: Fraction, level: Fraction) -> Fraction:
    """How far the liquid reaches from the nearest of the elements used."""
    middles = [(above - below) / 2 for below, above in pairwise(heights)]
    return max(heights[0] - max(water, Fraction(0)), level - heights[-1], *middles)


def liquid_temperature(
    tank: Tank, level: Fraction, water: Fraction, used: tuple[bool, ...], temperatures: tuple[float, ...]
) -> tuple[float | None, int]:
    """The mean of what is in the average; else manual, else the lowest element if product covers it, else none."""
    if any(used):
        points = [
            (height, value) for height, value, counts in zip(tank.elements, temperatures, used, strict=True) if counts
        ]
        quality = 1 if farthest([height for height, _ in points], water, level) > REACH_M + ON_THE_MARK_M else 0
        if not tank.by_slices:
            return math.fsum(value for _, value in points) / len(points), quality
        heights = [float(height) for height, _ in points]
        middles = [(low + high) / 2 for low, high in pairwise(heights)]
        borders = [0.0, *middles, float(level)]
        slices = [tank.volume(high) - tank.volume(low) for low, high in pairwise(borders)]
        return math.fsum(s * value for s, (_, value) in zip(slices, points, strict=True)) / math.fsum(slices), quality
    if tank.manual_c is not None:
        return tank.manual_c, 1
    if level >= tank.elements[0] - ON_THE_MARK_M and tank.elements[0] > water + ON_THE_MARK_M:
        return temperatures[0], 1
    return None, 2


def level_by_pressure(
    tank: Tank, pressure_pa: float, temperatures: tuple[float, ...]
) -> tuple[tuple[Fraction, int], tuple[bool, ...], tuple[float | None, int]] | None:
    """Level and its quality, elements in the average, temperature and its quality, all in agreement with each other.

    None: the liquid has no temperature, so no density, so no level, save where there is hardly any. Raises
    OpenQuestionError where two sets of elements agree with the level that each of them gives, or none does.
    """
    assert tank.nozzle is not None
    agreeing: list[tuple[Fraction, tuple[bool, ...], float | None, int]] = []
    for wet in range(len(tank.elements) + 1):
        assumed = tuple(index < wet for index in range(len(tank.elements)))
        celsius, _ = liquid_temperature(tank, tank.elements[0], DRY, assumed, temperatures)
        assert celsius is not None
        thickness = density(tank, celsius)
        if thickness is None:
            continue
        level = vented_level(tank, pressure_pa, thickness)
        if in_average(tank, level, DRY) == assumed:
            agreeing.append((level, assumed, *liquid_temperature(tank, level, DRY, assumed, temperatures)))
    if len(agreeing) != 1:
        raise OpenQuestionError(f"{len(agreeing)} levels agree with the pressure")
    level, used, found, quality = agreeing[0]
    if found is None:
        # Hardly any liquid is taken at the temperature that its density is stated for.
        stated = tank.density_at[0] if tank.slope_kg_m3_k is not None else tank.reference_density
        assert stated is not None
        level = vented_level(tank, pressure_pa, stated)
    head = level - tank.nozzle
    if abs(head - LEAST_HEAD_M) < ON_THE_MARK_M:
        raise OpenQuestionError("at the very edge of the least head")
    if head < LEAST_HEAD_M:
        return (level, 1), used, (found, quality)
    return None if found is None else ((level, quality), used, (found, quality))


def vented_level(tank: Tank, pressure_pa: float, thickness: float) -> Fraction:
    """The column of liquid less the air beside it (API MPMS 3.7)."""
    assert tank.nozzle is not None
    return tank.nozzle + Fraction(pressure_pa / ((thickness - AIR_DENSITY) * GRAVITY))


def pumpable(tank: Tank, level: Fraction, gov: float, water_volume: float, roof: float) -> float:
    """GOV now less GOV at the minimum level: above the minimum a roof floats at both."""
    if level <= tank.minimum:
        return 0.0
    rest = max(0.0, tank.volume(float(tank.minimum)) - water_volume) + (roof if tank.roof is not None else 0.0)
    return max(0.0, gov - max(0.0, rest))


def room(
    tank: Tank, level: Fraction, tov: float, level_quality: int, thickness: float | None, density_quality: int
) -> tuple[float, int]:
    """GOV at the maximum working level less GOV now: a roof that floats there and not here takes its displacement."""
    if level >= tank.maximum_working:
        return 0.0, level_quality
    difference = tank.volume(float(tank.maximum_working)) - tov
    if tank.roof is None or level > tank.roof[2]:
        return difference, level_quality
    mass, low, _ = tank.roof
    if level >= low:
        # Partly afloat: nobody knows how much it displaces already.
        return difference, 1
    assert tank.reference_density is not None
    quality = 1 if thickness is None else density_quality
    return max(0.0, difference - mass / (thickness or tank.reference_density)), max(level_quality, quality)


def expected(tag: str, state: State) -> Expected:
    """The whole sheet of one tank from rest, with every instrument in order."""
    tank = TANKS[tag]
    figures: dict[str, tuple[float | None, int]] = {}
    temperatures = tuple(shown_temperature(tank, each) for each in state.temperatures_c)
    # Water
    # Nothing above a flat bottom is "none detected", whether the probe has a code for it or says 0. The heel of the one
    # tank that has one is declared to hold water: it is free water even at a level of 0.
    heel = tank.volume(0.0)
    water, water_volume = Fraction(0), 0.0 if tank.water_step is None else heel
    figures["water_level"] = (0.0 if tank.water_step is not None and heel else None, 0)
    if tank.water_step is not None and state.water_m > 0:
        water = rounded(state.water_m, tank.water_step)
        water = as_float32(water) if tank.water_by_float else water
        figures["water_level"] = (float(water), 0)
        water_volume = tank.volume(float(water))
    # Level and temperature
    found: float | None
    if tank.nozzle is not None:
        assert tank.pressure_step_pa is not None
        pressure = float(rounded(state.pressure_pa, tank.pressure_step_pa))
        figures["bottom_pressure"] = (pressure, 0)
        agreed = level_by_pressure(tank, pressure, temperatures)
        if agreed is None:
            return Expected(
                {**_all_bad(tank, figures), "bottom_pressure": (pressure, 0)}, (False,) * len(tank.elements)
            )
        (level, level_quality), used, (found, temperature_quality) = agreed
        # Level and average are no better than each other: the level tells which elements count.
        level_quality = max(level_quality, 0 if found is None else carried_far(tank, found))
        temperature_quality = max(temperature_quality, level_quality)
    else:
        level, level_quality = shown_level(tank, state.level_m), 0
        used = in_average(tank, level, water)
        found, temperature_quality = liquid_temperature(tank, level, water, used, temperatures)
    figures["level"] = (float(level), level_quality)
    figures["ullage"] = (float(tank.reference_height - level), level_quality)
    if tank.second_gauge_offset is not None:
        second_ullage = rounded(tank.reference_height - state.level_m - tank.second_gauge_offset, SIXTEENTH)
        second = tank.reference_height - second_ullage
        figures["second_level"] = (float(second), 0)
        figures["level_difference"] = (float(level - second), 0)
    figures["liquid_temperature"] = (found, temperature_quality)
    averaged = [value for value, counts in zip(temperatures, used, strict=True) if counts]
    if averaged:
        figures["temperature_spread"] = (max(averaged) - min(averaged), level_quality)
    in_vapour = [
        value
        for height, value in zip(tank.elements, temperatures, strict=True)
        if height >= level + VAPOUR_CLEARANCE_M - ON_THE_MARK_M
    ]
    if in_vapour:
        figures["vapour_temperature"] = (math.fsum(in_vapour) / len(in_vapour), level_quality)
    if not averaged and found is not None and tank.manual_c is None:
        used = (True, *used[1:])  # the lowest element, which stands in
    # Volumes
    tov, full = tank.volume(float(level)), tank.volume(float(tank.height))
    figures["tov"] = (tov, level_quality)
    figures["fill"] = (tov / full, level_quality)
    figures["free_water"] = (water_volume if tank.water_step is not None else None, 0)
    # Density
    quality = max(level_quality, temperature_quality)
    thickness = None if found is None else density(tank, found)
    density_quality = 2 if found is None or thickness is None else max(temperature_quality, carried_far(tank, found))
    figures["observed_density"] = (thickness, density_quality)
    standard = tank.reference_density is not None
    if standard:
        assert tank.reference_density is not None
        figures["reference_density"] = (tank.reference_density, 0)
        figures["ctl"] = (None if found is None else correction(tank, found), density_quality)
        figures["cpl"] = (1.0, 0)
    # Roof
    roof, roof_quality = 0.0, 0
    if tank.roof is not None:
        mass, low, high = tank.roof
        if min(abs(level - low), abs(level - high)) < ON_THE_MARK_M:
            raise OpenQuestionError("at the very edge of the roof's critical zone")
        if level > low:
            roof_quality = max(density_quality, 1 if level < high else 0)
            roof = -mass / thickness if thickness is not None else math.nan
        figures["roof_displacement"] = (None if roof_quality == 2 else roof, roof_quality)
    # Amounts
    gov_quality = max(level_quality, roof_quality)
    gov = tov - water_volume + roof
    figures["gov"] = (gov, gov_quality)
    figures["pumpable"] = (pumpable(tank, level, gov, water_volume, roof), gov_quality)
    figures["room"] = room(tank, level, tov, level_quality, thickness, density_quality)
    amount_quality = max(gov_quality, density_quality, quality)
    if standard:
        gsv = gov * (figures["ctl"][0] or math.nan)
        figures["gsv"] = (gsv, amount_quality)
        if tank.sediment_water is not None:
            figures["nsv"] = (gsv * (1 - tank.sediment_water), amount_quality)
            figures["sediment_water"] = (tank.sediment_water, 0)
    liquid = gov * (thickness if thickness is not None else math.nan)
    figures["mass"] = (liquid, amount_quality)
    in_air_density = tank.reference_density if tank.reference_density is not None else thickness
    in_air = (1 - 1.2 / (in_air_density or math.nan)) / (1 - 1.2 / 8000)
    figures["weight_in_air"] = (liquid * in_air, amount_quality)
    if standard and tank.sediment_water is not None:
        assert tank.reference_density is not None
        net = (figures["nsv"][0] or math.nan) * tank.reference_density
        figures["net_mass"] = (net, amount_quality)
        figures["net_weight_in_air"] = (net * in_air, amount_quality)
    if tank.solute is not None:
        figures["solute_mass"] = (liquid * tank.solute, amount_quality)
    if tank.vapour_density is not None:
        shown = float(as_float32(rounded(state.pressure_pa, Fraction(100)) / 100000)) * 1e5
        assert tank.propane is not None
        # Without a temperature the pressure is borne out by nothing, but nothing contradicts what is stated either.
        contradicts = found is not None and not is_its_own(tank.propane, shown, found)
        figures["vapour_pressure"] = (shown, 1 if contradicts or found is None else 0)
        figures["vapour_density"] = (tank.vapour_density, int(contradicts))
        vapour = (full - tov) * tank.vapour_density
        figures["vapour_mass"] = (vapour, max(level_quality, int(contradicts)))
        figures["total_mass"] = (liquid + vapour, max(amount_quality, int(contradicts)))
    return Expected({name: (None if worst == 2 else value, worst) for name, (value, worst) in figures.items()}, used)


def _all_bad(tank: Tank, known: dict[str, tuple[float | None, int]]) -> dict[str, tuple[float | None, int]]:
    """Without a level there is nothing, save what is told by other instruments."""
    names = ["level", "ullage", "liquid_temperature", "temperature_spread", "vapour_temperature", "tov", "fill", "room"]
    names += ["observed_density", "gov", "pumpable", "mass", "weight_in_air"]
    if tank.reference_density is not None:
        names += ["ctl", "gsv"]
        known = {**known, "reference_density": (tank.reference_density, 0), "cpl": (1.0, 0)}
    if tank.solute is not None:
        names.append("solute_mass")
    return {**known, **dict.fromkeys(names, (None, 2))}
