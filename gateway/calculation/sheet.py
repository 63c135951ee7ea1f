"""The sheet for people: each figure as a line with its symbol, its clause and the figures it was made from."""

from typing import NamedTuple

from gateway.calculation.figure import good
from gateway.calculation.level.column_words import density_relation, level_relation
from gateway.calculation.methods.lpg import LpgCorrection
from gateway.calculation.plan import AirConvention, GaugeKind, GaugePlan, HeadPlan, HeelContents, TankPlan, Weighting
from gateway.calculation.quantities.adjustments import zone_at
from gateway.calculation.quantities.room import roof_stays
from gateway.calculation.vapour import equation_of_state
from gateway.figures import FIGURE_DEFINITIONS
from gateway.records import Figures, Inventory, Quality, Reason
from gateway.sources import DensitySource, LevelSource, TemperatureSource, WaterSource
from gateway.states import RoofZone

__all__ = ["SheetLine", "explain"]


class SheetLine(NamedTuple):
    name: str
    """Field of `Figures`."""
    symbol: str
    title: str
    value: float | None
    unit: str
    quality: Quality
    manual: bool
    reasons: tuple[Reason, ...]
    clause: str
    """The relation and where it stands."""
    inputs: tuple[str, ...]
    """Names of the figures that went in; empty for a measured or entered value."""


_MPMS_12 = "API MPMS 12.1.1"

# name -> (relation and clause, figures that go in). What depends on the tank or its product is filled in by `explain`.
_LINES: dict[str, tuple[str, tuple[str, ...]]] = {
    "second_level": ("as the second gauge gives it", ()),
    "level_difference": ("L - L2, compared and never averaged", ("level", "second_level")),
    "temperature_spread": ("highest less lowest element used", ("liquid_temperature",)),
    "vapour_temperature": ("mean of the elements clear of the surface", ("level",)),
    "ambient_temperature": ("measured", ()),
    "bottom_pressure": ("measured", ()),
    "fill": ("TOV / full capacity", ("tov",)),
    "ctsh": (f"1 + 2 a dT + a^2 dT^2, {_MPMS_12}", ("shell_temperature",)),
    "density_difference": (
        "rho_P less the entered density at tank temperature",
        ("measured_density", "liquid_temperature"),
    ),
    "head_adjustment": ("stretch of the shell, API MPMS 2.2A / ISO 7507-1", ("level", "observed_density")),
    "gov": (
        f"(TOV + dVh - FW) CTSh + FRA, {_MPMS_12}",
        ("tov", "head_adjustment", "free_water", "ctsh", "roof_displacement"),
    ),
    "gsv": (f"GOV CTL CPL, {_MPMS_12}", ("gov", "ctl", "cpl")),
    "sediment_water": ("entered, from a sample", ()),
    "nsv": (f"GSV (1 - S&W), {_MPMS_12}", ("gsv", "sediment_water")),
    "net_mass": (f"NSV rho_ref, {_MPMS_12}", ("nsv", "reference_density")),
    "solute_mass": ("M times the mass fraction of the dry substance", ("mass",)),
    "vapour_mass": ("(full capacity - TOV) rho_vap", ("tov", "vapour_density")),
    "total_mass": ("M + M_vap", ("mass", "vapour_mass")),
}


def explain(plan: TankPlan, inventory: Inventory, density_how: str = "") -> tuple[SheetLine, ...]:
    """Every figure of `inventory` in the order of calculation; `plan` is the plan that it was calculated from.

    `density_how`: how the entered density was brought to reference temperature, where it was read at another.
    """
    lines = _LINES | _lines_of(plan, inventory, density_how)
    return tuple(
        SheetLine(
            definition.name,
            definition.symbol,
            definition.title,
            figure.value,
            definition.unit,
            figure.quality,
            figure.manual,
            figure.reasons,
            *lines[definition.name],
        )
        for definition, figure in zip(FIGURE_DEFINITIONS, inventory.figures, strict=True)
    )


def _lines_of(plan: TankPlan, inventory: Inventory, density_how: str) -> dict[str, tuple[str, tuple[str, ...]]]:
    """The lines whose relation depends on the tank or its product, or on what was done."""
    sources, figures = inventory.sources, inventory.figures
    method = plan.product.method
    clause = method.clause
    state = ("liquid_temperature", "vapour_pressure") if plan.pressurised else ("liquid_temperature",)
    by_density = (*state, "reference_density") if method.needs_density else state
    has_reference = method.reference_temperature_c is not None
    mass = (
        ("GSV rho_ref", ("gsv", "reference_density")) if has_reference else ("GOV rho_obs", ("gov", "observed_density"))
    )
    air_density = "rho_ref" if has_reference else "rho_obs"
    return {
        "level": _level_line(plan, inventory),
        "ullage": _ullage_line(plan, figures),
        "measured_density": _measured_density_line(plan, figures),
        "water_level": (_WATER[sources.water], ()),
        "liquid_temperature": _temperature_line(plan, sources.temperature),
        "tov": (plan.capacity.clause, ("level",)),
        "free_water": _water_line(plan),
        "shell_temperature": _shell_line(plan),
        "reference_density": _density_line(plan, sources.density, density_how),
        "observed_density": (f"rho_ref CTL CPL, {clause}" if has_reference else clause, by_density),
        "ctl": (clause, by_density if method.uses_density_for_ctl else state),
        "vapour_pressure": (_MEASURED if plan.product.vapour_pressure is None else _COMPARED, ()),
        "vapour_density": _vapour_line(plan),
        "cpl": (clause, by_density) if plan.pressurised else (_uncorrected_for_pressure(plan), ()),
        "pumpable": _pumpable_line(plan, figures.level.value),
        "room": _room_line(plan, figures.level.value, inventory.level_state.roof),
        "roof_displacement": _roof_line(plan, inventory.level_state.roof),
        "mass": (f"{mass[0]}, {_MPMS_12}", mass[1]),
        "weight_in_air": (_air_line(plan, "M", air_density), ("mass", mass[1][1])),
        "net_weight_in_air": (_air_line(plan, "NSM", "rho_ref"), ("net_mass", "reference_density")),
    }


def _uncorrected_for_pressure(plan: TankPlan) -> str:
    if isinstance(plan.product.method, LpgCorrection):
        return "1 at the liquid's own vapour pressure, for which CTL holds"
    return "1: no correction for pressure" if plan.vapour is not None or plan.blanketed else "atmospheric tank: 1"


def _pumpable_line(plan: TankPlan, level_m: float | None) -> tuple[str, tuple[str, ...]]:
    """With shell, liquid head and roof as they are at the minimum, so that it can be checked by hand."""
    minimum_m = plan.limits.minimum_m
    if level_m is not None and minimum_m is not None and level_m <= minimum_m:
        return "0; the level is at the minimum or below", ("gov",)
    head, shell, roof = plan.liquid_head is not None, plan.shell is not None, plan.roof is not None
    rest = f"max(0, V(minimum){' + dVh(minimum)' if head else ''} - FW){' CTSh' if shell else ''}"
    rest = f"max(0, {rest} + FRA(minimum))" if roof else rest
    # A roof that stands on its legs at the minimum displaces nothing there, whatever the density.
    afloat = roof and minimum_m is not None and zone_at(plan, good(minimum_m, 0.0)) is not RoofZone.LANDED
    inputs = ("gov", "free_water", *(["ctsh"] if shell else []), *(["observed_density"] if head or afloat else []))
    return f"GOV - {rest}, not below 0", inputs


def _room_line(plan: TankPlan, level_m: float | None, zone: RoofZone | None) -> tuple[str, tuple[str, ...]]:
    """`zone` of the roof now: where it displaces the same at both levels, room rests on nothing that is known of it."""
    working_m = plan.limits.maximum_working_m
    if level_m is not None and working_m is not None and level_m >= working_m:
        return "0; the level is at the maximum working level or above", ("level",)
    head, shell = plan.liquid_head is not None, plan.shell is not None
    stays = plan.roof is not None and roof_stays(plan, zone)
    roof = plan.roof is not None and not stays
    room = f"V(maximum working) - TOV{' + dVh(maximum working) - dVh' if head else ''}"
    room = f"({room}) CTSh" if shell else room
    room = f"{room} + FRA(maximum working) - FRA" if roof else room
    parts = [
        ("head_adjustment", head),
        ("ctsh", shell),
        ("roof_displacement", roof),
        ("observed_density", head or roof),
    ]
    same = "; the roof displaces the same at both" if stays else ""
    return f"{room}, not below 0{same}", ("tov", *(name for name, enters in parts if enters))


def _level_line(plan: TankPlan, inventory: Inventory) -> tuple[str, tuple[str, ...]]:
    gauge = plan.gauge
    match inventory.sources.level:
        case LevelSource.PRESSURE if isinstance(gauge, HeadPlan):
            return level_relation(plan, gauge, inventory.figures)
        case LevelSource.GAUGE if isinstance(gauge, GaugePlan):
            return _gauge_relation(plan, gauge, inventory.figures)
        case LevelSource.SECOND_GAUGE:
            return "as the second gauge gives it", ("second_level",)
        case LevelSource.DIP:
            return "hand dip", ()
        case _:
            return "no usable level", ()


def _gauge_relation(plan: TankPlan, gauge: GaugePlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    if gauge.kind is GaugeKind.ULLAGE:
        height, inputs = _reference_height(plan, figures)
        return f"{height} - ullage {_signed(gauge.offset_m)}", inputs
    return f"innage {_signed(gauge.offset_m)}", ()


def _ullage_line(plan: TankPlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    height, inputs = _reference_height(plan, figures)
    return f"{height} - L", ("level", *inputs)


def _reference_height(plan: TankPlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    """The reference height in words, with the shell's growth where it was counted."""
    words = f"reference height {plan.reference_height_m:.3f} m"
    if plan.shell is None or figures.shell_temperature.value is None:
        return words, ()
    a, table_c = plan.shell.linear_coefficient_per_c, plan.shell.table_temperature_c
    return f"{words} (1 + {a:g} /degC (TSh - {table_c:g} degC)), API MPMS 3.1B", ("shell_temperature",)


def _signed(offset_m: float) -> str:
    return f"{'-' if offset_m < 0 else '+'} {abs(offset_m):.3f} m"


_MEASURED = "measured"
_COMPARED = "measured, and compared with the product's own at TL"
_WATER = {
    WaterSource.PROBE: "by probe",
    WaterSource.DIP: "by hand dip",
    WaterSource.LAST_GOOD: "the last Good level of the probe, or of the dip",
    WaterSource.DECLARED_NONE: "declared without free water",
    WaterSource.NONE: "not known",
}
_WEIGHTS = {
    Weighting.EQUAL: "equal weights",
    Weighting.SLICE_VOLUME: "slice-volume weights",
    Weighting.SLICE_HEIGHT: "slice-height weights",
}
_OTHER_TEMPERATURES = {
    TemperatureSource.MANUAL: "entered",
    TemperatureSource.LAST_GOOD: "the last Good average",
    TemperatureSource.LOWEST_ELEMENT: "the lowest element alone",
    TemperatureSource.NONE: "not known",
}
_DENSITIES = {
    DensitySource.NONE: "none is given",
    DensitySource.REFERENCE: "entered at reference temperature",
    DensitySource.OBSERVED: "from the density given at tank temperature",
    DensitySource.MEASURED: "from the density measured by pressure",
    DensitySource.LAST_MEASURED: "from the last Good density measured by pressure",
}


def _temperature_line(plan: TankPlan, source: TemperatureSource) -> tuple[str, tuple[str, ...]]:
    if source is not TemperatureSource.ELEMENTS:
        return _OTHER_TEMPERATURES[source], ()
    margin_m, how = plan.temperature.immersion_margin_m, _WEIGHTS[plan.temperature.weighting]
    return f"mean of the elements submerged by {margin_m:.2f} m, {how}, API MPMS 7.3", ("level", "water_level")


def _measured_density_line(plan: TankPlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    if plan.measured_density is None:
        return "(P1 - P3) / (g (L - nozzle)), API MPMS 3.6", ("level", "bottom_pressure", "vapour_pressure")
    return density_relation(plan, plan.measured_density, figures)


def _water_line(plan: TankPlan) -> tuple[str, tuple[str, ...]]:
    """Whoever reads the printed table at LW must find what makes the difference."""
    heel_m3, holds = plan.capacity.heel_m3, plan.heel_holds
    if heel_m3 <= 0.0:
        return "capacity table at LW", ("water_level",)
    if holds is HeelContents.PRODUCT:
        return f"capacity table at LW, less the heel of {heel_m3:.3f} m3, which holds product", ("water_level",)
    return f"capacity table at LW, with the heel of {heel_m3:.3f} m3", ("water_level",)


def _density_line(plan: TankPlan, source: DensitySource, how: str) -> tuple[str, tuple[str, ...]]:
    clause = plan.product.method.clause
    if source is DensitySource.METHOD:
        return clause, ()
    if source in (DensitySource.MEASURED, DensitySource.LAST_MEASURED):
        return f"{_DENSITIES[source]}, {clause}", ("measured_density", "liquid_temperature")
    if source is DensitySource.REFERENCE and how:
        return how, ()
    if source is DensitySource.OBSERVED:
        return f"{_DENSITIES[source]}, {clause}", ("liquid_temperature",)
    return _DENSITIES[source], ()


def _shell_line(plan: TankPlan) -> tuple[str, tuple[str, ...]]:
    if plan.shell is None or plan.shell.insulated:
        return f"TL, insulated, {_MPMS_12}", ("liquid_temperature",)
    return f"(7 TL + TA) / 8, {_MPMS_12}", ("liquid_temperature", "ambient_temperature")


def _air_line(plan: TankPlan, mass: str, density: str) -> str:
    match plan.buoyancy.convention:
        case AirConvention.BUOYANCY:
            air, weights = plan.buoyancy.air_density_kg_m3, plan.buoyancy.weights_density_kg_m3
            used = f"air {air:g} kg/m3, weights {weights:g} kg/m3"
            return f"{mass} (1 - air/{density}) / (1 - air/weights), {used}, OIML D 28"
        case AirConvention.DENSITY_REDUCTION:
            return f"{mass} (1 - 1.1/{density}), common practice"
        case AirConvention.TABLE_56:
            return f"{mass} (1.00015 - 1.22/{density}), fit to ASTM D1250 (1980) Table 56"


def _vapour_line(plan: TankPlan) -> tuple[str, tuple[str, ...]]:
    vapour = plan.vapour
    if vapour is None or vapour.density_kg_m3 is not None:
        return "stated", ()
    own = plan.product.vapour_pressure
    known = vapour.component is not None or (own is not None and bool(own.curve.components))
    if vapour.compressibility_factor is not None:
        factor = f"Z {vapour.compressibility_factor:g}"
    else:
        factor = f"Z by the {equation_of_state.CLAUSE}" if known else "Z taken as 1"
    relation = f"P M / (Z R T), {factor}"
    if plan.blanketed:
        return f"{relation}, P of the product by its vapour pressure at TL", (
            "liquid_temperature",
            "vapour_temperature",
        )
    return f"{relation}, absolute pressure", ("vapour_pressure", "vapour_temperature")


def _roof_line(plan: TankPlan, zone: RoofZone | None) -> tuple[str, tuple[str, ...]]:
    if zone is RoofZone.LANDED:
        return f"0; the roof stands on its legs, {_MPMS_12}", ("level",)
    if plan.roof is not None and plan.roof.table_density_kg_m3 is not None:
        return f"W (1/rho_table - 1/rho_obs), {_MPMS_12}", ("level", "observed_density")
    return f"-W / rho_obs, {_MPMS_12}", ("level", "observed_density")
