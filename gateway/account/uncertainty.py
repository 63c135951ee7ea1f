"""Pure: how well an amount is known, by the rules of GUM (JCGM 100:2008): a gauging, what was moved, a balance.

An uncertain amount is the list of what makes it uncertain: by the name of each input, its sensitivity times the
standard uncertainty of that input, with its sign. The same name in two amounts is the same error in both, so that sums
and differences are taken input by input, and all correlations are right by themselves (JCGM 100, F.1.2.4); what is left
is combined as the root of the sum of squares (5.2.2, equation 13), and told at k = 2 (6.2, 6.3.3).

So of a difference of two gaugings of one tank: the mounting of the gauge, a bottom that the table has wrong and a bias
of the thermometers are the same at both ends and cancel, as far as both ends rest on them alike; of the table there
stays what scales with the amount moved, and its steps from course to course; what differs from reading to reading stays
twice.
"""

from collections.abc import Iterable, Mapping, Sequence
from math import fsum, log, sqrt
from typing import NamedTuple

from gateway.account.amount import Amount
from gateway.account.gauging import MASSES, MEASURES, Gauging
from gateway.account.ticket import TicketSide
from gateway.account.transfer import Direction
from gateway.sources import LevelSource, TemperatureSource

__all__ = [
    "COVERAGE",
    "USUAL",
    "Budget",
    "Uncertainties",
    "area_between",
    "combined",
    "expanded",
    "expansion_of",
    "of_document",
    "of_gauging",
    "of_sides",
    "together",
]

COVERAGE = 2.0
"""k: about 95 in 100 where many inputs add up (JCGM 100, 6.3.3)."""
Budget = Mapping[str, float]
"""By input: sensitivity times standard uncertainty, with its sign; SI of the amount."""

_EVENLY = sqrt(3.0)
"""Within limits of which no more is known: half width / sqrt(3) (JCGM 100, 4.3.7)."""


class Uncertainties(NamedTuple):
    """Standard uncertainties (k = 1) of the inputs, SI. What is said of `each` differs from reading to reading; the
    rest is the same as long as nobody calibrates anew."""

    gauge_m: float = sqrt(2.0) * 0.003 / _EVENLY
    """3 mm of the gauge and 3 mm of its mounting, evenly (API MPMS 3.1B, 4.3, as quoted publicly, for inventory)."""
    gauge_each_m: float = 0.0005
    """Resolution of 1 mm and ripple (common practice)."""
    dip_m: float = 0.0015
    """Of a dip by hand, each (common practice: three dips within 3 mm)."""
    pressure_m: float = 0.010
    """Of a level by the pressure of the column (common practice)."""
    table: float = 0.002 / _EVENLY
    """Of the volume by the table: 0.2 %, evenly (OIML R 71 for vertical tanks, from memory)."""
    table_each_m: float = 0.0005
    """What the table has wrong within a decimetre of level, as a level (common practice)."""
    temperature_k: float = 0.25 / _EVENLY
    """Of the average temperature: 0.25 K, evenly (ISO 4266-4, from memory)."""
    temperature_each_k: float = 0.1
    """How well the elements stand for the whole, each (common practice)."""
    substitute_k: float = 1.0
    """Of a temperature that is not the mean of submerged elements (common practice)."""
    water_m: float = 0.002
    """Of the free-water level, each (common practice)."""
    density_kg_m3: float = 0.5
    """Of one sample and its analysis (ISO 12185 has 0.5 kg/m3 for reproducibility, from memory)."""
    document: float = 0.003 / _EVENLY
    """Of an amount that another measured, the same for all of one source: 0.3 %, evenly (OIML R 117, class 0.3, from
    memory)."""
    document_each: float = 0.0005
    """The same, each (common practice)."""


USUAL = Uncertainties()
_OBSERVED = ("tov", "free_water", "gov")
_LEAST_K = 0.5
"""So far from the reference temperature the correction shows the expansion."""
_STRANGE = 1.3
"""The form cannot give a correction of exp(1 / 3.2) and more."""
_CRUDE = 613.9723
"""Expansion at 15 degC = this / density^2, for crude oil (API MPMS 11.1, 1980): near enough as a sensitivity."""
_LEAST_LEVEL_M = 0.05
_LEAST_MOVED_M = 0.1


def of_gauging(
    gauging: Gauging, measure: str, using: Uncertainties = USUAL, *, area_m2: float | None = None
) -> Budget | None:
    """What makes one measure of a gauging uncertain; None where it has no value, or not enough is known of it.

    `area_m2`: the surface, dV/dL at its level; by default volume over level, which is that of an upright tank.
    """
    value, tov, gov, level = (gauging.value(name) for name in (measure, "tov", "gov", "level"))
    if value is None or tov is None or level is None:
        return None
    area = area_m2 if area_m2 is not None else _surface(tov, level)
    per_m3 = _per_m3(gauging, measure, value, tov if measure == "tov" else gov)
    if area is None or per_m3 is None:
        return None
    tank, each = gauging.tank, f"{gauging.tank} {gauging.boot} {gauging.sequence}"
    on_level = area * per_m3
    budget: dict[str, float] = {}
    if measure != "free_water":
        source = gauging.sources.level
        if source is LevelSource.DIP:
            budget[f"dip {each}"] = on_level * using.dip_m
        elif source is LevelSource.PRESSURE:
            budget[f"pressure {tank}"] = on_level * using.pressure_m
        else:
            budget[f"gauge {tank}"] = on_level * using.gauge_m
        budget[f"gauge {each}"] = on_level * using.gauge_each_m
        budget[f"table {tank} at {level:.1f}"] = on_level * using.table_each_m
    budget[f"table {tank}"] = using.table * (value if measure in _OBSERVED else tov * per_m3)
    if measure != "tov" and gauging.value("free_water"):
        sign = 1.0 if measure == "free_water" else -1.0
        budget[f"water {each}"] = sign * on_level * using.water_m
    if measure in _OBSERVED:
        return budget
    expansion = expansion_of(gauging)
    if expansion is None:
        return None
    if gauging.sources.temperature is TemperatureSource.ELEMENTS:
        budget[f"temperature {tank}"] = -value * expansion * using.temperature_k
        budget[f"temperature {each}"] = -value * expansion * using.temperature_each_k
    else:
        budget[f"temperature {each}"] = -value * expansion * using.substitute_k
    density = gauging.value("reference_density") or gauging.value("observed_density")
    if density is not None:
        budget[f"density {tank} {density:.7g}"] = value * using.density_kg_m3 * _by_density(gauging, measure, density)
    elif measure in MASSES:
        return None
    return budget


def of_document(amount: Amount, using: Uncertainties = USUAL) -> Budget:
    """What makes an amount that another measured uncertain: meter, weighbridge or ship's tables, and each reading. What
    comes in is not measured by what goes out, so that their errors do not cancel."""
    return {
        f"document {amount.source} {amount.kind} {amount.product}": amount.value * using.document,
        f"document {amount.number}": amount.value * using.document_each,
    }


def of_sides(sides: Sequence[TicketSide], using: Uncertainties = USUAL) -> dict[str, float]:
    """Of a ticket: by measure the expanded uncertainty of what the receiving tanks took in (of a ticket without one, of
    what came out of the others); a measure of which it is not known is left out."""
    into = [side for side in sides if side.direction is Direction.INTO] or list(sides)
    found: dict[str, float] = {}
    for measure in MEASURES:
        budgets = [_moved(side, measure, using) for side in into]
        if budgets and all(budget is not None for budget in budgets):
            found[measure] = expanded(together((1.0, budget) for budget in budgets if budget is not None))
    return found


def together(parts: Iterable[tuple[float, Budget]]) -> dict[str, float]:
    """The sum of uncertain amounts, each times its factor (-1 to take it off), input by input."""
    gathered: dict[str, list[float]] = {}
    for factor, budget in parts:
        for name, part in budget.items():
            gathered.setdefault(name, []).append(factor * part)
    return {name: fsum(values) for name, values in gathered.items()}


def combined(budget: Budget) -> float:
    """Combined standard uncertainty (JCGM 100, equation 13)."""
    return sqrt(fsum(part * part for part in budget.values()))


def expanded(budget: Budget) -> float:
    """At k = 2."""
    return COVERAGE * combined(budget)


def area_between(opening: Gauging, closing: Gauging) -> float | None:
    """The mean surface between two levels: volume moved over its height; None where that is too little to tell."""
    values = [each.value(name) for each in (opening, closing) for name in ("level", "tov")]
    if None in values:
        return None
    low, low_m3, high, high_m3 = (value for value in values if value is not None)
    if abs(high - low) < _LEAST_MOVED_M:
        return None
    area = (high_m3 - low_m3) / (high - low)
    return area if area > 0.0 else None


def expansion_of(gauging: Gauging) -> float | None:
    """How much of a standard volume a kelvin is, 1/K: from the correction of the sheet itself, and near the reference
    temperature from the density.

    CTL = exp(-x (1 + 0.8 x)) with x = expansion * (T - reference), the form of API MPMS 11.1: solved for x, its slope
    is expansion * (1 + 1.6 x).
    """
    temperature, reference_c = gauging.value("liquid_temperature"), gauging.reference_temperature_c
    density = gauging.value("reference_density") or gauging.value("observed_density")
    correction = gauging.value("ctl")
    off = None if temperature is None or reference_c is None else temperature - reference_c
    if off is not None and abs(off) >= _LEAST_K and correction is not None and 0.0 < correction < _STRANGE:
        x = (sqrt(1.0 - 3.2 * log(correction)) - 1.0) / 1.6
        return x / off * (1.0 + 1.6 * x)
    if density is None:
        return None
    return _CRUDE / density**2


def _moved(side: TicketSide, measure: str, using: Uncertainties) -> dict[str, float] | None:
    area = area_between(side.opening, side.closing)
    closing = of_gauging(side.closing, measure, using, area_m2=area)
    opening = of_gauging(side.opening, measure, using, area_m2=area)
    if closing is None or opening is None:
        return None
    return together(((1.0, closing), (-1.0, opening)))


def _surface(tov: float, level: float) -> float | None:
    return tov / level if level >= _LEAST_LEVEL_M and tov > 0.0 else None


def _per_m3(gauging: Gauging, measure: str, value: float, volume: float | None) -> float | None:
    """What a cubic metre more in the tank adds to the measure."""
    if measure in _OBSERVED:
        return 1.0
    if volume is None:
        return None
    if volume > 0.0 and value > 0.0:
        return value / volume
    correction, density = gauging.value("ctl"), gauging.value("observed_density")
    return density if measure in MASSES else correction


def _by_density(gauging: Gauging, measure: str, density: float) -> float:
    """Relative change of the measure with the density, m3/kg. The correction changes with it since the expansion goes
    by 1 / density^2; a mass rises with it besides."""
    temperature, reference_c = gauging.value("liquid_temperature"), gauging.reference_temperature_c
    by_correction = 0.0
    if temperature is not None and reference_c is not None and gauging.value("ctl") is not None:
        by_correction = 2.0 * (expansion_of(gauging) or 0.0) * (temperature - reference_c) / density
    return by_correction + (1.0 / density if measure in MASSES else 0.0)
