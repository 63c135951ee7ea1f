"""Pure: a value entered by a person, and what it is worth at an instant."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from gateway.records import Input, Quality, Reason, ReasonCode, because

__all__ = ["ManualValue", "density", "in_force", "observed_density", "standing", "whole_seconds"]

_CLOCK_TOLERANCE = timedelta(minutes=5)
"""The clock of the box and that of whoever entered a value may differ by this much (common practice)."""


@dataclass(frozen=True, slots=True)
class ManualValue:
    """A value entered by a person. `substitutes`: it stands in for an instrument, so it is never better than Uncertain.

    Without `entered` it is a standing value of the site file, such as a product's nominal density.
    """

    value: float
    entered: datetime | None = None
    expires: datetime | None = None
    substitutes: bool = False
    origin: str = "manual"
    doubt: Reason | None = None
    """Why it is not vouched for, of a density that a method brought to reference temperature from far away."""
    how: str = ""
    """How it comes from what was written, in words, of a density that was brought to reference temperature."""


def whole_seconds(instant: datetime) -> float:
    """Whole seconds since 1970: the last microsecond of the year 9999 would round to a year that there is not."""
    return instant.replace(microsecond=0).timestamp()


def standing(manual: ManualValue | None, now: datetime, unit: str) -> Input | None:
    """A value without an instrument to go back to: after its expiry it stays in use, Uncertain, and says so.

    `unit`: of its SI value, empty for a ratio.

    Entered later than now, either the date or the clock is wrong, and whether it has expired nobody knows: Uncertain.
    """
    if manual is None:
        return None
    age_s = _age_s(manual, now)
    if manual.expires is not None and now >= manual.expires:
        reason = _expired(manual, manual.expires, unit)
        return Input(manual.value, Quality.UNCERTAIN, reason, age_s, manual.origin, manual=True)
    if manual.entered is not None and manual.entered - now > _CLOCK_TOLERANCE:
        reason = _from_the_future(manual, manual.entered, now, unit)
        return Input(manual.value, Quality.UNCERTAIN, reason, age_s, manual.origin, manual=True)
    if manual.substitutes:
        reason = because(ReasonCode.MANUAL, "{origin} value in place of an instrument", origin=manual.origin)
        return Input(manual.value, Quality.UNCERTAIN, reason, age_s, manual.origin, manual=True)
    return Input(manual.value, Quality.GOOD, None, age_s, manual.origin, manual=True)


def _expired(manual: ManualValue, expires: datetime, unit: str) -> Reason:
    if not unit:
        return because(
            ReasonCode.MANUAL_EXPIRED,
            "{origin} value {share:% g} expired at {expires:utc}",
            origin=manual.origin,
            share=manual.value,
            expires=whole_seconds(expires),
        )
    return because(
        ReasonCode.MANUAL_EXPIRED,
        "{origin} value {value:g} {unit} expired at {expires:utc}",
        origin=manual.origin,
        value=manual.value,
        unit=unit,
        expires=whole_seconds(expires),
    )


def _from_the_future(manual: ManualValue, entered: datetime, now: datetime, unit: str) -> Reason:
    if not unit:
        return because(
            ReasonCode.CLOCK_UNTRUSTED,
            "{origin} value {share:% g} was entered at {entered:utc}, after the present {now:utc}: see to the clock, "
            "or to the date",
            origin=manual.origin,
            share=manual.value,
            entered=whole_seconds(entered),
            now=whole_seconds(now),
        )
    return because(
        ReasonCode.CLOCK_UNTRUSTED,
        "{origin} value {value:g} {unit} was entered at {entered:utc}, after the present {now:utc}: see to the clock, "
        "or to the date",
        origin=manual.origin,
        value=manual.value,
        unit=unit,
        entered=whole_seconds(entered),
        now=whole_seconds(now),
    )


def in_force(manual: ManualValue | None, now: datetime, unit: str) -> Input | None:
    """A value that stands in for an instrument: after its expiry it is gone, and says so."""
    given = standing(manual, now, unit)
    if given is None or given.reason is None or given.reason.code is not ReasonCode.MANUAL_EXPIRED:
        return given
    return given._replace(value=None, quality=Quality.BAD)


def density(manual: ManualValue | None, now: datetime) -> Input | None:
    """A density from a dated sample is as good as its validity; a nominal one is never better than Uncertain."""
    if manual is not None and manual.entered is None:
        reason = because(
            ReasonCode.DENSITY_UNDATED, "nominal density {density:kg/m3 g}, no dated sample", density=manual.value
        )
        return Input(manual.value, Quality.UNCERTAIN, reason, 0.0, manual.origin, manual=True)
    given = standing(manual, now, "kg/m3")
    if manual is None or manual.doubt is None or given is None or given.quality is not Quality.GOOD:
        return given
    return given._replace(quality=Quality.UNCERTAIN, reason=manual.doubt)


def observed_density(manual: ManualValue | None, now: datetime) -> Input | None:
    """A density at tank temperature holds no longer than the temperature does: a day at most (common practice)."""
    given = density(manual, now)
    if given is None or given.quality != Quality.GOOD or given.age_s <= _OBSERVED_DENSITY_HOLDS_S:
        return given
    reason = because(
        ReasonCode.INPUT_UNCERTAIN,
        "density at tank temperature of {age:h .0f} ago: the contents may have warmed or cooled since",
        age=given.age_s,
    )
    return given._replace(quality=Quality.UNCERTAIN, reason=reason)


_OBSERVED_DENSITY_HOLDS_S = 86_400.0


def _age_s(manual: ManualValue, now: datetime) -> float:
    return 0.0 if manual.entered is None else max(0.0, (now - manual.entered).total_seconds())
