"""The name, symbol, SI unit and plain title of every figure of the sheet: one table for payload, metrics and people."""

from collections.abc import Iterable
from operator import attrgetter, itemgetter
from typing import NamedTuple

from gateway.reasons import Reason, ReasonCode
from gateway.records import Figure, Figures, Quality

__all__ = ["BESIDE", "FIGURE_DEFINITIONS", "FigureDefinition", "all_good", "reasons_behind", "tank_quality"]

BESIDE = frozenset(
    {
        "second_level",
        "level_difference",
        "vapour_temperature",
        "ambient_temperature",
        "bottom_pressure",
        "vapour_pressure",
        "measured_density",
        "density_difference",
    }
)
"""Measurements and comparisons that stand beside the sheet and do not count for the quality of the tank by themselves.

Where a result rests on one, that result carries its quality: a vapour pressure that is lost makes the standard volume
of a pressurised tank Bad, and leaves that of any other as it was. So a spare gauge alone that is lost leaves the tank
Good: its level, its volumes and its room are as right as they were, and who sees Bad at three in the morning must be
able to rely on it that a number is missing. What is lost is the check: it is Bad at its own figure, and is told
wherever tanks are listed.
"""


class FigureDefinition(NamedTuple):
    name: str
    """Field of `Figures`."""
    symbol: str
    title: str
    unit: str
    """SI symbol; `1` for a ratio."""
    quantity: str
    """Dimension for unit conversion: one of `gateway.units.quantity.Dimension`."""
    metric: str
    """Prometheus name, base unit last."""
    metric_factor: float
    """Metric = SI value times this: the base unit of mass of Prometheus is the gram."""


def _figure(name: str, symbol: str, title: str, unit: str, quantity: str, metric: str) -> FigureDefinition:
    return FigureDefinition(name, symbol, title, unit, quantity, f"tank_{metric}", 1000.0 if "grams" in metric else 1.0)


FIGURE_DEFINITIONS: tuple[FigureDefinition, ...] = (
    _figure("level", "L", "Level above the datum", "m", "length", "level_metres"),
    _figure("ullage", "U", "Ullage from the reference point", "m", "length", "ullage_metres"),
    _figure("second_level", "L2", "Level by the second gauge", "m", "length", "second_level_metres"),
    _figure("level_difference", "L-L2", "Difference of the two gauges", "m", "length", "level_difference_metres"),
    _figure("water_level", "LW", "Free-water level", "m", "length", "free_water_level_metres"),
    _figure(
        "liquid_temperature", "TL", "Average liquid temperature", "degC", "temperature", "liquid_temperature_celsius"
    ),
    _figure(
        "temperature_spread",
        "dTL",
        "Spread of the elements used",
        "degC",
        "temperature_difference",
        "liquid_temperature_spread_celsius",
    ),
    _figure(
        "vapour_temperature", "TV", "Average vapour temperature", "degC", "temperature", "vapour_temperature_celsius"
    ),
    _figure("ambient_temperature", "TA", "Ambient temperature", "degC", "temperature", "ambient_temperature_celsius"),
    _figure(
        "bottom_pressure", "P1", "Pressure at the nozzle, gauge", "Pa", "gauge_pressure", "bottom_pressure_pascals"
    ),
    _figure("vapour_pressure", "P3", "Vapour pressure, gauge", "Pa", "gauge_pressure", "vapour_pressure_pascals"),
    _figure("tov", "TOV", "Total observed volume", "m3", "volume", "total_observed_volume_cubic_metres"),
    _figure("fill", "fill", "Part of the full capacity taken up", "1", "ratio", "fill_ratio"),
    _figure(
        "measured_density",
        "rho_P",
        "Density measured by pressure",
        "kg/m3",
        "density",
        "measured_density_grams_per_cubic_metre",
    ),
    _figure(
        "density_difference",
        "rho_P-rho",
        "Measured less entered density",
        "kg/m3",
        "density",
        "density_difference_grams_per_cubic_metre",
    ),
    _figure("free_water", "FW", "Free water", "m3", "volume", "free_water_volume_cubic_metres"),
    _figure("shell_temperature", "TSh", "Shell temperature", "degC", "temperature", "shell_temperature_celsius"),
    _figure("ctsh", "CTSh", "Correction for the shell's temperature", "1", "ratio", "shell_correction_ratio"),
    _figure(
        "reference_density",
        "rho_ref",
        "Density at reference temperature",
        "kg/m3",
        "density",
        "reference_density_grams_per_cubic_metre",
    ),
    _figure(
        "observed_density",
        "rho_obs",
        "Density at tank temperature",
        "kg/m3",
        "density",
        "observed_density_grams_per_cubic_metre",
    ),
    _figure(
        "ctl", "CTL", "Correction for the liquid's temperature", "1", "ratio", "liquid_temperature_correction_ratio"
    ),
    _figure("cpl", "CPL", "Correction for the liquid's pressure", "1", "ratio", "liquid_pressure_correction_ratio"),
    _figure(
        "head_adjustment", "dVh", "Adjustment for the liquid's head", "m3", "volume", "head_adjustment_cubic_metres"
    ),
    _figure("roof_displacement", "FRA", "Floating roof adjustment", "m3", "volume", "roof_adjustment_cubic_metres"),
    _figure("gov", "GOV", "Gross observed volume", "m3", "volume", "gross_observed_volume_cubic_metres"),
    _figure("gsv", "GSV", "Gross standard volume", "m3", "volume", "gross_standard_volume_cubic_metres"),
    _figure("sediment_water", "S&W", "Sediment and water", "1", "ratio", "sediment_water_ratio"),
    _figure("nsv", "NSV", "Net standard volume", "m3", "volume", "net_standard_volume_cubic_metres"),
    _figure("mass", "M", "Mass of the liquid with any S&W, in vacuo", "kg", "mass", "liquid_mass_grams"),
    _figure("weight_in_air", "W", "Weight in air of the liquid with any S&W", "kg", "mass", "weight_in_air_grams"),
    _figure("net_mass", "NSM", "Net standard mass, without S&W, in vacuo", "kg", "mass", "net_standard_mass_grams"),
    _figure(
        "net_weight_in_air",
        "NSWA",
        "Net standard weight in air, without S&W",
        "kg",
        "mass",
        "net_standard_weight_in_air_grams",
    ),
    _figure("solute_mass", "M_dry", "Dry substance in the solution", "kg", "mass", "solute_mass_grams"),
    _figure(
        "vapour_density",
        "rho_vap",
        "Density of the vapour",
        "kg/m3",
        "density",
        "vapour_density_grams_per_cubic_metre",
    ),
    _figure("vapour_mass", "M_vap", "Mass of the vapour", "kg", "mass", "vapour_mass_grams"),
    _figure("total_mass", "M_tot", "Liquid and vapour together", "kg", "mass", "total_mass_grams"),
    _figure("pumpable", "pumpable", "Volume above the minimum", "m3", "volume", "pumpable_volume_cubic_metres"),
    _figure("room", "room", "Room to the maximum working level", "m3", "volume", "room_cubic_metres"),
)

_quality = attrgetter("quality")
_counting = itemgetter(*(index for index, name in enumerate(Figures._fields) if name not in BESIDE))


def tank_quality(figures: Figures) -> Quality:
    """The quality of the whole tank: the worst of the figures that count."""
    counting: tuple[Figure, ...] = _counting(figures)
    return max([each.quality for each in counting])


def reasons_behind(figures: Iterable[Figure], worst: Quality) -> tuple[Reason, ...]:
    """Why a tank is no better than `worst`: the reasons of the figures of that quality, each once; of Good none.

    Those that only pass on the doubt of another figure are left out where the cause itself is told.
    """
    if worst is Quality.GOOD:
        return ()
    reasons = dict.fromkeys(reason for figure in figures if figure.quality is worst for reason in figure.reasons)
    causes = [reason for reason in reasons if reason.code not in _PASSED_ON]
    return tuple(causes or reasons)


_PASSED_ON = (ReasonCode.INPUT_BAD, ReasonCode.INPUT_UNCERTAIN)


def all_good(figures: Figures) -> bool:
    """Whether there is nothing that is not Good: so it is in nearly every sheet."""
    # GOOD is 0.
    return not any(map(_quality, figures))


if tuple(definition.name for definition in FIGURE_DEFINITIONS) != Figures._fields:  # pragma: no cover
    raise AssertionError("FIGURE_DEFINITIONS and Figures must name the same figures in the same order")
