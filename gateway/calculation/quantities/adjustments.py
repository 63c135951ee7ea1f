"""What adjusts TOV to GOV: free water, the shell's stretch under the liquid, and what a floating roof displaces."""

from gateway.calculation import figure
from gateway.calculation.limits import limit_reason
from gateway.calculation.plan import HeelContents, TankPlan
from gateway.calculation.quantities.floating_roof import roof_adjustment, roof_zone
from gateway.calculation.quantities.liquid_head import head_adjustment
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, because
from gateway.states import RoofZone

__all__ = ["enters", "free_water", "head_stretch", "roof_displacement", "zone_at"]

_BAD = Quality.BAD
_GOOD = Quality.GOOD
_OUTSIDE_TABLE = ReasonCode.OUTSIDE_TABLE


_SURELY_WATER_M = 0.003
"""A probe that reads less may stand in none (common practice)."""
_LANDED = (Reason(ReasonCode.ROOF_LANDED, "roof landed: vapour hazard, follow site procedure"),)


def enters(adjustment: Figure) -> bool:
    """Whether it adjusts anything: a Good figure without a value does not."""
    return adjustment.value is not None or adjustment.quality != _GOOD


def free_water(plan: TankPlan, water_level: Figure) -> Figure:
    """FW in m3 from the same table as TOV.

    What the heel holds is declared: with `water` it is free water, also where none is detected above the datum; with
    `product` only what stands above the datum is, Uncertain where water does: it is the heavier, and would fill the
    heel first. Not declared, it is counted as water, Uncertain.
    """
    heel_m3 = plan.capacity.heel_m3
    if water_level.value is not None:
        level_m = water_level.value
        try:
            found = figure.derive(plan.capacity.volume(level_m), (water_level,))
        except LimitError as error:
            found = figure.bad(limit_reason(error, _OUTSIDE_TABLE), water_level.age_s)
        if heel_m3 > 0.0 and plan.heel_holds is HeelContents.PRODUCT and found.value is not None:
            found = found._replace(value=max(0.0, found.value - heel_m3))
            if level_m > _SURELY_WATER_M:
                reason = because(
                    ReasonCode.HEEL_UNDECLARED,
                    "free water stands {level:mm .0f} above the datum, and the heel below it is declared to hold "
                    "product: with water there it is {heel:m3 .2f} more",
                    level=level_m,
                    heel=heel_m3,
                )
                found = figure.lower(found, reason)
    elif water_level.reasons and water_level.reasons[0].code == ReasonCode.NONE_DETECTED:
        below_m3 = 0.0 if plan.heel_holds is HeelContents.PRODUCT else heel_m3
        found = Figure(below_m3, water_level.quality, water_level.reasons, water_level.age_s, water_level.manual)
    elif water_level.quality == _BAD:
        return figure.derive(None, (water_level,))
    else:
        return water_level
    if heel_m3 > 0.0 and plan.heel_holds is None and found.value is not None:
        reason = because(
            ReasonCode.HEEL_UNDECLARED,
            "what the heel of {heel:m3 .2f} holds is not declared: it is counted as water",
            heel=heel_m3,
        )
        return figure.lower(found, reason)
    return found


def head_stretch(plan: TankPlan, level: Figure, density: Figure) -> Figure:
    """Stretch of the shell in m3 beside what the table contains, at a level."""
    head = plan.liquid_head
    if head is None:
        return figure.not_applicable("the table is taken as it stands for the liquid's head")
    level_m, rho_obs = level.value, density.value
    if level_m is None or rho_obs is None:
        return figure.derive(None, (level, density))
    return figure.attempt(
        lambda: head_adjustment(
            max(0.0, level_m),
            rho_obs,
            head.table_density_kg_m3,
            head.diameter_m,
            head.courses,
            plan.gravity_m_s2,
            head.modulus_pa,
        ),
        (level, density),
    )


def zone_at(plan: TankPlan, level: Figure, before: RoofZone | None = None) -> RoofZone | None:
    """The zone of the floating roof at a level; None where there is no roof or no level."""
    roof = plan.roof
    if roof is None or level.value is None:
        return None
    return roof_zone(level.value, roof.critical_low_m, roof.critical_high_m, before)


def roof_displacement(plan: TankPlan, zone: RoofZone | None, level: Figure, density: Figure) -> Figure:
    """FRA in m3, signed (API MPMS 12.1.1): 0 while the roof stands on its legs, Uncertain in its critical zone."""
    roof = plan.roof
    if roof is None:
        return figure.not_applicable("no floating roof")
    if zone is None:
        return figure.derive(None, (level,))
    if zone is RoofZone.LANDED:
        return figure.derive(0.0, (level,))._replace(reasons=_LANDED)
    if density.value is None:
        return figure.derive(None, (level, density))
    rho_obs = density.value
    afloat = figure.attempt(lambda: roof_adjustment(roof.mass_kg, rho_obs, roof.table_density_kg_m3), (level, density))
    if zone is RoofZone.CRITICAL:
        reason = because(
            ReasonCode.ROOF_CRITICAL_ZONE,
            "roof in its critical zone, {lowest:bare m .3f} to {highest:m .3f}",
            lowest=roof.critical_low_m,
            highest=roof.critical_high_m,
        )
        return figure.lower(afloat, reason)
    return afloat
