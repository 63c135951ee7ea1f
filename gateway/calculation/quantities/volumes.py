"""From TOV to volumes and masses, in the order of API MPMS 12.1.1: water off, shell, roof, then CTL and CPL."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.density.at_temperature import CorrectionFigures
from gateway.calculation.limits import limit_reason
from gateway.calculation.plan import TankPlan
from gateway.calculation.quantities.adjustments import enters, free_water, head_stretch, roof_displacement, zone_at
from gateway.calculation.quantities.mass import dry_mass, liquid_mass, weight_in_air
from gateway.calculation.quantities.room import Standing, pumpable_volume, room_volume
from gateway.calculation.quantities.shell import shell_correction, shell_temperature
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, because
from gateway.states import RoofZone

__all__ = ["MassFigures", "VolumeFigures", "mass_figures", "volume_figures"]

_GOOD = Quality.GOOD
_NO_AMBIENT = Reason(
    ReasonCode.INPUT_UNCERTAIN, "no ambient temperature: the shell is taken at the liquid's temperature"
)


class VolumeFigures(NamedTuple):
    free_water: Figure
    shell_temperature: Figure
    ctsh: Figure
    head_adjustment: Figure
    roof_displacement: Figure
    gov: Figure
    pumpable: Figure
    room: Figure
    zone: RoofZone | None
    """Of the floating roof; None where there is none, or no level."""


class MassFigures(NamedTuple):
    gsv: Figure
    sediment_water: Figure
    nsv: Figure
    mass: Figure
    weight_in_air: Figure
    net_mass: Figure
    net_weight_in_air: Figure
    solute_mass: Figure


def volume_figures(
    plan: TankPlan,
    level: Figure,
    tov: Figure,
    water_level: Figure,
    temperature: Figure,
    ambient: Figure,
    correction: CorrectionFigures,
    zone_before: RoofZone | None,
) -> VolumeFigures:
    """GOV = (TOV + head - FW) CTSh + FRA: water off before the shell's correction, the roof after it (API MPMS 12.1.1).

    The head adjustment belongs to the volume of the table, so it comes before both. `zone_before` is that of the roof
    in the last sheet.
    """
    density = correction.observed_density
    water = free_water(plan, water_level)
    shell, factor = _shell(plan, temperature, ambient)
    head = head_stretch(plan, level, density)
    zone = zone_at(plan, level, zone_before)
    roof = roof_displacement(plan, zone, level, density)
    used = [tov]
    is_whole = tov.value is not None
    for part in (head, water, factor, roof):
        if part.value is not None:
            used.append(part)
        elif part.quality is not _GOOD:
            used.append(part)
            is_whole = False
    gov_m3: float | None = None
    if is_whole and tov.value is not None:
        net_m3 = tov.value + (head.value or 0.0) - (water.value or 0.0)
        gov_m3 = net_m3 * (1.0 if factor.value is None else factor.value) + (roof.value or 0.0)
    gov = figure.derive(gov_m3, used)
    if gov_m3 is not None and gov_m3 < 0.0:
        reason = because(
            ReasonCode.BELOW_ZERO,
            "water and the roof's displacement are {missing:m3 .1f} more than what stands in the tank",
            missing=-gov_m3,
        )
        gov = figure.lower(gov, reason, Quality.BAD)
    now = Standing(level, tov, water, head, factor, roof, zone, density, correction.reference_density)
    return VolumeFigures(
        water, shell, factor, head, roof, gov, pumpable_volume(plan, now, gov), room_volume(plan, now), zone
    )


def mass_figures(gov: Figure, correction: CorrectionFigures, sediment_water: Figure, plan: TankPlan) -> MassFigures:
    """GSV = GOV CTL CPL; NSV = GSV (1 - S&W); mass = GSV rho_ref, or GOV rho_obs where there is no reference volume.

    Mass and weight in air hold whatever sediment and water the liquid does; the net ones are made of NSV: NSV rho_ref.
    """
    ctl, cpl = correction.ctl, correction.cpl
    rho_ref, rho_obs = figure.undated(correction.reference_density), correction.observed_density
    if enters(ctl):
        gsv_m3 = None
        if gov.value is not None and ctl.value is not None and cpl.value is not None:
            gsv_m3 = gov.value * ctl.value * cpl.value
        gsv = figure.derive(gsv_m3, (gov, ctl, cpl))
        nsv = _net(gsv, sediment_water)
    else:
        gsv = nsv = figure.not_applicable("the product has no reference volume")
    if _is_plain(gsv) and _is_plain(rho_ref) and _is_plain(nsv):
        return _plain_masses(plan, gsv, rho_ref, sediment_water, nsv)
    if enters(gsv) and enters(rho_ref):
        mass = _product(gsv, rho_ref)
        in_air = _in_air(plan, mass, rho_ref)
    else:
        mass = _product(gov, rho_obs)
        in_air = _in_air(plan, mass, rho_obs)
    net = net_in_air = figure.not_applicable("no sediment and water given, or no reference volume")
    if enters(nsv) and enters(rho_ref):
        net = _product(nsv, rho_ref)
        net_in_air = _alike(net, mass, in_air)
    return MassFigures(gsv, sediment_water, nsv, mass, in_air, net, net_in_air, _solute(plan, mass))


def _is_plain(part: Figure) -> bool:
    """Whether what is made with it is Good, of the same age, and without a word, as far as it depends on this one."""
    return part.quality is _GOOD and part.value is not None and not part.manual


def _plain_masses(plan: TankPlan, gsv: Figure, rho_ref: Figure, sediment_water: Figure, nsv: Figure) -> MassFigures:
    """`mass_figures` where nothing is to be said of GSV, of the density without its date, nor of NSV, which is as old
    as GSV: in nearly every sheet."""
    gsv_m3, rho, nsv_m3, age_s = gsv.value or 0.0, rho_ref.value or 0.0, nsv.value or 0.0, gsv.age_s
    mass_kg, net_kg = liquid_mass(gsv_m3, rho), liquid_mass(nsv_m3, rho)
    mass, net = figure.good(mass_kg, age_s), figure.good(net_kg, age_s)
    in_air = _in_air(plan, mass, rho_ref)
    net_in_air = _alike(net, mass, in_air)
    return MassFigures(gsv, sediment_water, nsv, mass, in_air, net, net_in_air, _solute(plan, mass))


def _shell(plan: TankPlan, temperature: Figure, ambient: Figure) -> tuple[Figure, Figure]:
    """Shell temperature in degC and CTSh. Without an ambient temperature the liquid's stands in, Uncertain."""
    if plan.shell is None:
        none = figure.not_applicable("the tank is calculated without a shell correction")
        return none, none
    if temperature.value is None:
        lost = figure.derive(None, (temperature,))
        return lost, lost
    if plan.shell.insulated:
        shell = figure.derive(temperature.value, (temperature,))
    elif ambient.value is None:
        alone = figure.derive(temperature.value, (temperature,))
        shell = figure.lower(alone, _NO_AMBIENT)
    else:
        try:
            between_c = shell_temperature(temperature.value, ambient.value, insulated=False)
        except LimitError as error:
            shell = figure.bad(limit_reason(error), max(temperature.age_s, ambient.age_s))
        else:
            shell = figure.derive(between_c, (temperature, ambient))
    if shell.value is None:
        return shell, figure.derive(None, (shell,))
    steel = plan.shell
    try:
        factor = shell_correction(steel.linear_coefficient_per_c, shell.value, steel.table_temperature_c)
    except LimitError as error:
        return shell, figure.bad(limit_reason(error), shell.age_s)
    return shell, figure.derive(factor, (shell,))


def _net(gsv: Figure, sediment_water: Figure) -> Figure:
    if not enters(sediment_water):
        return figure.not_applicable("no sediment and water given")
    share = figure.undated(sediment_water)
    value = None if gsv.value is None or share.value is None else gsv.value * (1.0 - share.value)
    return figure.derive(value, (gsv, share))


def _product(volume: Figure, density: Figure) -> Figure:
    """Mass in kg, in vacuo."""
    value = None
    if volume.value is not None and density.value is not None:
        value = liquid_mass(volume.value, density.value)
    return figure.derive(value, (volume, density))


def _in_air(plan: TankPlan, mass: Figure, density: Figure) -> Figure:
    if mass.value is None or density.value is None:
        return figure.derive(None, (mass, density))
    try:
        weight_kg = weight_in_air(mass.value, density.value, plan.buoyancy)
    except LimitError as error:
        return figure.bad(limit_reason(error), max(mass.age_s, density.age_s))
    return figure.derive(weight_kg, (mass, density))


def _alike(net: Figure, mass: Figure, in_air: Figure) -> Figure:
    """Weight in air of the net mass: in the ratio of the whole, since one density makes both."""
    if net.value is None or mass.value is None or in_air.value is None:
        return figure.derive(None, (net, in_air))
    return figure.derive(net.value * (in_air.value / mass.value) if mass.value else 0.0, (net, in_air))


def _solute(plan: TankPlan, mass: Figure) -> Figure:
    fraction = plan.product.solute_fraction
    if fraction is None:
        return figure.not_applicable("the product is not a solution")
    return figure.derive(None if mass.value is None else dry_mass(mass.value, fraction), (mass,))
