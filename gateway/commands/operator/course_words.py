"""How a tank moves, in words: direction, rate, and when it comes to its next limit by the site's own clock."""

from datetime import UTC, datetime, tzinfo

from gateway.records import Quality
from gateway.sentences import duration_words
from gateway.tank_state import Motion, TankState

__all__ = ["course_words", "site_time"]

_PER_HOUR = 3600.0
_SMALL_M3_H = 9.95
_HALF_A_DAY_S = 43_200.0
"""Further ahead an hour without its day misleads."""


def course_words(state: TankState | None, zone: tzinfo) -> list[str]:
    """One sentence of a tank that moves; nothing of one that rests, or of which nobody knows."""
    if state is None or state.motion not in (Motion.FILLING, Motion.EMPTYING):
        return []
    rate = state.rate
    if rate.value is None or rate.quality is Quality.BAD:
        return [f"{state.motion.value}, at an unknown rate: the time to its limits is unknown"]
    doubt = " (uncertain)" if rate.quality is Quality.UNCERTAIN else ""
    words = f"{state.motion.value} at {_per_hour(abs(rate.value))}{doubt}"
    if not state.times:
        return [f"{words}: no limit ahead, or it is not known when"]
    limit, _, in_s, at = state.times[0]
    name = limit.replace("_", " ")
    form = "%H:%M" if in_s < _HALF_A_DAY_S else "%Y-%m-%d %H:%M"
    return [f"{words}: {name} at {site_time(at, zone, form)}, in {duration_words(in_s)}"]


def _per_hour(rate_m3_s: float) -> str:
    """To the m3/h, and a small one to two digits: a tank that moves does not move at 0."""
    per_hour = rate_m3_s * _PER_HOUR
    return f"{per_hour:,.0f} m3/h" if per_hour >= _SMALL_M3_H else f"{per_hour:.2g} m3/h"


def site_time(instant: datetime, zone: tzinfo, form: str) -> str:
    """By the site's own clock, which is what people there go by, and in UTC."""
    utc = f"{instant.astimezone(UTC):{form}} UTC"
    return utc if str(zone) == "UTC" else f"{instant.astimezone(zone):{form} %Z} ({utc})"
