"""A density measured by pressure against the entered one: what rests on the entered one is doubted while they differ.

    AGREE   they differ by no more than the limit, or there has been nothing to compare
    APART   they have differed by more: the tank may hold another product than the site file says, and then the density
            and its correction for temperature are both wrong (a diesel tank with gasoline: 12.9 % of the mass)

APART ends when they differ by no more than four fifths of the limit, and when another density is entered. It does not
end because the pressure is lost, or because too little liquid stands over the nozzle to measure: neither makes the
entered density right.
"""

from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.doubts.recurrence import QUIET, Recurrence, next_recurrence
from gateway.calculation.doubts.words import Doubt, held_reason
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because

__all__ = ["Densities", "DensitiesState", "densities_reason", "next_densities"]

_LEAVES = 0.8
_NEW_S = 1e-3


class DensitiesState(StrEnum):
    AGREE = "agree"
    APART = "apart"


class Densities(NamedTuple):
    """The last comparison."""

    entered: float | None
    """The density that was entered, kg/m3; None where the product's method gives it."""
    difference: float
    """Measured less entered, kg/m3 at tank temperature."""
    read_s: SteadyTime
    """When the pressure was read."""
    state: DensitiesState = DensitiesState.AGREE
    recurrence: Recurrence = QUIET


def next_densities(
    before: Densities | None, difference: float | None, entered: float | None, limit: float, read_s: float
) -> Densities | None:
    """`before` with the difference of now, in kg/m3; None where there is none. `read_s`: when the pressure was read."""
    if before is not None and before.entered != entered:
        before = None
    if difference is None:
        return before
    if before is None:
        before = Densities(entered, difference, read_s)
        is_new = True
    else:
        is_new = abs(read_s - before.read_s) > _NEW_S
    was_apart = before.state is DensitiesState.APART
    is_apart = abs(difference) > (_LEAVES * limit if was_apart else limit)
    state = DensitiesState.APART if is_apart else DensitiesState.AGREE
    return Densities(entered, difference, read_s, state, next_recurrence(before.recurrence, is_apart, is_new))


def densities_reason(densities: Densities | None, limit: float, now_s: float, is_compared: bool) -> Reason | None:
    """Why what rests on the entered density is in doubt, else None. `is_compared`: whether the two were, just now."""
    if densities is None or not densities.recurrence.shown:
        return None
    if densities.recurrence.held:
        return held_reason(Doubt.DENSITIES, densities.recurrence)
    difference, is_beyond = densities.difference, abs(densities.difference) > limit
    if is_compared:
        return because(_CODE, _IS_APART if is_beyond else _IS_APART_AFTER_MORE, difference=difference, limit=limit)
    ago_s = max(0.0, now_s - densities.read_s)
    phrase = _WAS_APART if is_beyond else _WAS_APART_AFTER_MORE
    return because(_CODE, phrase, difference=difference, limit=limit, ago=ago_s)


_CODE = ReasonCode.DENSITIES_DISAGREE
_IS_APART = (
    "measured density is {difference:kg/m3 +.1f} from the entered one at tank temperature, more than {limit:kg/m3 g}: "
    "another product, or the level or the pressure is wrong"
)
_IS_APART_AFTER_MORE = (
    "measured density is {difference:kg/m3 +.1f} from the entered one at tank temperature, after more than "
    "{limit:kg/m3 g}: another product, or the level or the pressure is wrong"
)
_WAS_APART = (
    "measured density was {difference:kg/m3 +.1f} from the entered one at tank temperature, more than {limit:kg/m3 g}, "
    "when last compared, {ago:duration} ago"
)
_WAS_APART_AFTER_MORE = (
    "measured density was {difference:kg/m3 +.1f} from the entered one at tank temperature, after more than "
    "{limit:kg/m3 g}, when last compared, {ago:duration} ago"
)
