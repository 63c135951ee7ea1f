"""The pressure above the liquid: borne out by the product's vapour pressure, and what its want does to the liquid."""

import math

from gateway.calculation import figure
from gateway.calculation.density.at_temperature import DensityBasis, correct
from gateway.calculation.limits import limit_reason
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import TankPlan, VapourPressurePlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput, because

__all__ = [
    "NO_DOUBTS",
    "atmospheric_pa",
    "compared_pressure",
    "is_doubted",
    "last_good_pressure",
    "pressure_doubts",
    "pressure_on_liquid",
    "with_possible_pressure",
]

_GOOD = Quality.GOOD

_ENDS_WITHIN = 0.9
"""A doubt ends within this part of the band, so that a pressure at its edge does not come and go with the
ripple of its transmitter (common practice)."""
_INSIDE_C = 0.5
"""A comparison begins again this far inside the ends of the curve, for the same reason."""
_KEPT = frozenset(
    {
        ReasonCode.VAPOUR_PRESSURE_DISAGREES,
        ReasonCode.VAPOUR_PRESSURE_UNPROVEN,
        ReasonCode.VAPOUR_PRESSURE_ASSUMED,
    }
)
NO_DOUBTS: frozenset[ReasonCode] = frozenset()
_LAST_GOOD_LIMIT_S = 86_400.0
_SMALL = 1e-3
"""Up to this effect on volume or density an unknown pressure leaves an Uncertain result; beyond it there is none."""


def atmospheric_pa(plan: TankPlan) -> float:
    """Pressure of the air at the tank, Pa absolute."""
    return 101_325.0 if plan.vapour is None else plan.vapour.atmospheric_pa


def with_possible_pressure(plan: TankPlan, tank_input: TankInput) -> TankInput:
    """`tank_input` with a vapour pressure that is below a vacuum made Bad: so low is none."""
    given = tank_input.vapour_pressure
    if given is None or given.value is None or given.value >= -atmospheric_pa(plan) - plan.pressure.zero_error_pa:
        return tank_input
    reason = because(
        ReasonCode.OUT_OF_RANGE, "vapour pressure {pressure:kPa .1f} is below a vacuum", pressure=given.value
    )
    return tank_input._replace(vapour_pressure=given._replace(value=None, quality=Quality.BAD, reason=reason))


def is_doubted(pressure: Figure) -> bool:
    """Whether it was found outside the band of its product."""
    return pressure.quality is not _GOOD and any(
        reason.code is ReasonCode.VAPOUR_PRESSURE_DISAGREES for reason in pressure.reasons
    )


def pressure_doubts(pressure: Figure, on_liquid: Figure | None) -> frozenset[ReasonCode]:
    """What the next sheet must know of this one's doubts, so that a pressure at a border does not come and go."""
    if pressure.value is None:
        return NO_DOUBTS
    reasons = pressure.reasons if on_liquid is None else (*pressure.reasons, *on_liquid.reasons)
    return frozenset([reason.code for reason in reasons if reason.code in _KEPT]) if reasons else NO_DOUBTS


def compared_pressure(
    plan: TankPlan, pressure: Figure, temperature: Figure, before: frozenset[ReasonCode] = NO_DOUBTS
) -> Figure:
    """The measured pressure (Pa gauge), Uncertain outside the band about the product's own at the liquid's temperature.

    Under another gas only a pressure that is too low is doubted. A pressure that cannot be compared is Uncertain too:
    a closed isolating valve would not be seen. As measured where the product gives nothing to compare with. `before`:
    the doubts of the sheet before.
    """
    own = plan.product.vapour_pressure
    if own is None or pressure.value is None:
        return pressure
    if temperature.value is None:
        return figure.lower(pressure, _NO_TEMPERATURE)
    inside_c = _INSIDE_C if ReasonCode.VAPOUR_PRESSURE_UNPROVEN in before else 0.0
    try:
        own.curve.require_reach(temperature.value, inside_c)
    except LimitError as error:
        unproven = because(
            ReasonCode.VAPOUR_PRESSURE_UNPROVEN,
            "vapour pressure cannot be compared: {cause}",
            cause=limit_reason(error),
        )
        return figure.lower(pressure, unproven)
    expected_pa = own.curve.pressure(temperature.value)
    absolute_pa = pressure.value + atmospheric_pa(plan)
    band_pa = _band_pa(own, expected_pa)
    away_pa = absolute_pa - expected_pa
    if away_pa > 0.0 and plan.blanketed:
        return pressure
    was_doubted = ReasonCode.VAPOUR_PRESSURE_DISAGREES in before
    if abs(away_pa) <= (band_pa * _ENDS_WITHIN if was_doubted else band_pa):
        return pressure
    away = because(
        ReasonCode.VAPOUR_PRESSURE_DISAGREES,
        _TOO_LOW if away_pa < 0.0 else _TOO_HIGH,
        pressure=absolute_pa,
        away=abs(away_pa),
        temperature=temperature.value,
        expected=expected_pa,
        allowed=band_pa,
    )
    return figure.lower(pressure, away)


_NO_TEMPERATURE = Reason(
    ReasonCode.VAPOUR_PRESSURE_UNPROVEN, "vapour pressure: there is no liquid temperature to compare it by"
)
_TOO_LOW = (
    "vapour pressure {pressure:kPa .0f} absolute is {away:kPa .0f} below that of the product at "
    "{temperature:degC .1f}, {expected:kPa .0f}, and {allowed:kPa .0f} are allowed: is a valve to its "
    "transmitter closed?"
)
_TOO_HIGH = (
    "vapour pressure {pressure:kPa .0f} absolute is {away:kPa .0f} above that of the product at "
    "{temperature:degC .1f}, {expected:kPa .0f}, and {allowed:kPa .0f} are allowed: is another gas over it?"
)


def _band_pa(own: VapourPressurePlan, expected_pa: float) -> float:
    return max(own.band * expected_pa, own.least_band_pa)


def last_good_pressure(memory: Memory, now_s: float, causes: tuple[Reason, ...]) -> Figure | None:
    """The last Good pressure above the liquid in Pa gauge, Uncertain, for as long as it may stand in."""
    last = last_good(memory, "vapour_pressure")
    return figure.from_last_good(
        last, now_s, _LAST_GOOD_LIMIT_S, causes, "the last Good vapour pressure stands in, {age:duration} old"
    )


def pressure_on_liquid(
    plan: TankPlan, basis: DensityBasis, temperature: Figure, pressure: Figure, memory: Memory, now_s: float
) -> Figure | None:
    """The pressure that the liquid is corrected for, Pa gauge and not below zero; None for a tank that is not.

    A reading below zero by no more than the transmitter's zero error means zero. One that is missing, or cannot be, is
    taken as the last Good one, else as atmospheric, where between zero and the greatest that the tank can have the
    correction changes by no more than 0.1 %; else it is Bad.
    """
    if not plan.pressurised:
        return None
    gauge_pa, limits = pressure.value, plan.pressure
    was_doubted = ReasonCode.VAPOUR_PRESSURE_ASSUMED in memory.pressure_doubts
    if gauge_pa is not None and gauge_pa >= -limits.zero_error_pa * (_ENDS_WITHIN if was_doubted else 1.0):
        return pressure if gauge_pa >= 0.0 else pressure._replace(value=0.0)
    if gauge_pa is not None:
        # A vacuum changes a liquid by less than 0.03 %, and the standard's CPL begins at atmospheric pressure.
        vacuum = because(
            ReasonCode.VAPOUR_PRESSURE_ASSUMED,
            "vapour pressure {pressure:kPa .1f} is below zero by more than {limit:kPa g}: the liquid is taken at "
            "atmospheric pressure",
            pressure=gauge_pa,
            limit=limits.zero_error_pa,
        )
        return figure.lower(pressure, vacuum)._replace(value=0.0)
    if temperature.value is None:
        return figure.derive(None, (pressure,))
    causes = pressure.reasons
    stood = last_good_pressure(memory, now_s, causes)
    taken_pa = max(0.0, 0.0 if stood is None or stood.value is None else stood.value)
    greatest_pa = max(limits.greatest_pa, taken_pa)
    effect = _effect(basis, temperature.value, greatest_pa)
    if effect == 0.0:
        return figure.good(0.0, 0.0)
    if effect > _SMALL:
        lost = because(
            ReasonCode.INPUT_BAD,
            "vapour pressure unknown: between 0 and {greatest:kPa g} it changes the liquid by {effect:% .3f}; give the "
            "relief valve's setting as vapour_pressure.greatest, if it is less",
            greatest=greatest_pa,
            effect=effect,
        )
        return Figure(None, Quality.BAD, (lost, *causes), pressure.age_s)
    if stood is None:
        reason = because(
            ReasonCode.VAPOUR_PRESSURE_ASSUMED,
            "vapour pressure unknown, taken as atmospheric: between 0 and {greatest:kPa g} it changes the liquid by "
            "{effect:% .3f}",
            greatest=greatest_pa,
            effect=effect,
        )
    else:
        reason = because(
            ReasonCode.VAPOUR_PRESSURE_ASSUMED,
            "vapour pressure unknown, taken as {taken:kPa .1f}: between 0 and {greatest:kPa g} it changes the liquid "
            "by {effect:% .3f}",
            taken=taken_pa,
            greatest=greatest_pa,
            effect=effect,
        )
    also, age_s = (causes, 0.0) if stood is None else (stood.reasons, stood.age_s)
    return Figure(taken_pa, Quality.UNCERTAIN, (reason, *also), age_s)


def _effect(basis: DensityBasis, temperature_c: float, greatest_pa: float) -> float:
    """How far the correction is apart between no pressure and `greatest_pa`, relative; infinite where it ends before.

    0 where the method takes no pressure, and where it refuses the state at any: then it says so itself.
    """
    try:
        _, least, _ = correct(basis, temperature_c, 0.0)
    except (LimitError, ValueError):
        return 0.0
    try:
        _, most, _ = correct(basis, temperature_c, greatest_pa)
    except LimitError:
        return math.inf
    found = 0.0
    for low, high in ((least.cpl, most.cpl), (least.observed_density, most.observed_density)):
        if low is not None and high is not None:
            found = max(found, abs(high / low - 1.0))
    return found
