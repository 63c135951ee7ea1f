"""What may still come in and what may still go out, as GOV: differences between two levels of one tank.

Room is GOV at the maximum working level less GOV now, pumpable is GOV now less GOV at the minimum level; each level
with its own displacement and state of the roof, with the same free water, shell correction and temperature. Filling the
room shown ends at the maximum working level, drawing the pumpable volume shown ends at the minimum (common practice).
"""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.plan import TankPlan
from gateway.calculation.quantities.adjustments import enters, head_stretch, roof_displacement, zone_at
from gateway.records import Figure, Reason, ReasonCode
from gateway.states import RoofZone

__all__ = ["Standing", "pumpable_volume", "roof_stays", "room_volume"]

_UNCORRECTED = Reason(
    ReasonCode.INPUT_UNCERTAIN,
    "temperature or density unknown: without the corrections of the shell, which are under 0.3 %",
)
_BY_REFERENCE_DENSITY = Reason(
    ReasonCode.INPUT_UNCERTAIN, "temperature unknown: the roof's displacement by the density at reference temperature"
)


class Standing(NamedTuple):
    """What stands in the tank now, and what of it holds at other levels as well."""

    level: Figure
    tov: Figure
    water: Figure
    """FW in m3."""
    head: Figure
    ctsh: Figure
    roof: Figure
    zone: RoofZone | None
    density: Figure
    """At tank temperature, kg/m3."""
    reference_density: Figure
    """By which a displacement is estimated while the temperature is not known."""


def pumpable_volume(plan: TankPlan, now: Standing, gov: Figure) -> Figure:
    """GOV less GOV at the minimum level in m3, not below 0."""
    minimum_m, minimum_m3 = plan.limits.minimum_m, plan.minimum_volume_m3
    if minimum_m is None or minimum_m3 is None:
        return figure.not_applicable("no minimum level is set")
    if gov.value is None or now.level.value is None:
        return figure.derive(None, (gov,))
    if now.level.value <= minimum_m:
        return figure.derive(0.0, (gov,))
    if plan.liquid_head is None and plan.roof is None:
        liquid_m3 = max(0.0, minimum_m3 - (now.water.value or 0.0))
        return figure.derive(max(0.0, gov.value - liquid_m3 * _factor(now)), (gov,))
    limit = figure.good(minimum_m, 0.0)
    head, roof = head_stretch(plan, limit, now.density), _roof_at(plan, limit, now)
    liquid_m3 = max(0.0, minimum_m3 + (head.value or 0.0) - (now.water.value or 0.0))
    rest_m3 = liquid_m3 * _factor(now) + (roof.value or 0.0)
    used = [gov, *([roof] if enters(roof) else [])]
    # Water above the minimum leaves no product there; a roof that is heavier than what is left there carries itself.
    return figure.derive(max(0.0, gov.value - max(0.0, rest_m3)), used)


def room_volume(plan: TankPlan, now: Standing) -> Figure:
    """GOV at the maximum working level less GOV now in m3, not below 0. Free water takes part in neither."""
    working_m, working_m3 = plan.limits.maximum_working_m, plan.maximum_working_volume_m3
    if working_m is None or working_m3 is None:
        return figure.not_applicable("no maximum working level is set")
    tov_m3, level_m = now.tov.value, now.level.value
    if tov_m3 is None or level_m is None:
        return figure.derive(None, (now.tov,))
    if level_m >= working_m:
        return figure.derive(0.0, (now.tov,))
    ctsh = now.ctsh
    if plan.liquid_head is None and plan.roof is None and (ctsh.value is not None or not enters(ctsh)):
        parts = (now.tov,) if ctsh.value is None else (now.tov, ctsh)
        return figure.derive(max(0.0, (working_m3 - tov_m3) * _factor(now)), parts)
    limit = figure.good(working_m, 0.0)
    head = head_stretch(plan, limit, now.density)
    known = [part for part in (now.head, head, now.ctsh) if part.value is not None]
    lost = [part for part in (now.head, head, now.ctsh) if part.value is None and enters(part)]
    used = [now.tov, *known]
    roof_m3 = 0.0
    if plan.roof is not None and not roof_stays(plan, now.zone):
        before, roof = _displacements(plan, limit, now)
        if roof.value is None or before.value is None:
            return figure.derive(None, (now.tov, before, roof))
        roof_m3 = roof.value - before.value
        used += [before, roof]
    stretch_m3 = 0.0 if now.head.value is None or head.value is None else head.value - now.head.value
    room = figure.derive(max(0.0, (working_m3 + stretch_m3 - tov_m3) * _factor(now) + roof_m3), used)
    if lost:
        room = figure.lower(room, _UNCORRECTED)
    return room


def _factor(now: Standing) -> float:
    return 1.0 if now.ctsh.value is None else now.ctsh.value


def roof_stays(plan: TankPlan, zone: RoofZone | None) -> bool:
    """Whether the roof displaces the same at the maximum working level as in `zone`, whatever the density: it is afloat
    in both, or landed in both."""
    working_m = plan.limits.maximum_working_m
    if working_m is None or zone is RoofZone.CRITICAL:
        return False
    return zone_at(plan, figure.good(working_m, 0.0)) is zone


def _displacements(plan: TankPlan, limit: Figure, now: Standing) -> tuple[Figure, Figure]:
    """What the roof displaces now and at a limit: by the density at reference temperature where the other is unknown,
    which is at most some per cent of the displacement off."""
    density = now.density
    if density.value is None and now.reference_density.value is not None:
        density = figure.lower(figure.undated(now.reference_density), _BY_REFERENCE_DENSITY)
    return (
        roof_displacement(plan, now.zone, now.level, density),
        roof_displacement(plan, zone_at(plan, limit), limit, density),
    )


def _roof_at(plan: TankPlan, limit: Figure, now: Standing) -> Figure:
    return roof_displacement(plan, zone_at(plan, limit), limit, now.density)
