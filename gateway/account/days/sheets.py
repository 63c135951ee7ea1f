"""Pure: which sheet of a tank is that of the boundary, and what is to be said of it."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from gateway.account.day import TankAtClose
from gateway.account.days.boundary import Day
from gateway.account.gauging import Gauging
from gateway.account.plan import AccountPlan
from gateway.records import Quality, Reason, ReasonCode, because
from gateway.tank_state import Motion

__all__ = ["newest_sheet", "remarks_on", "tank_at"]


class _Kept(Protocol):
    @property
    def sheets(self) -> Mapping[str, Sequence[Gauging]]: ...
    @property
    def products(self) -> Mapping[str, str]: ...


def tank_at(plan: AccountPlan, day: Day, tank: str, books: _Kept) -> TankAtClose:
    """A tank at the end of a day: by its last sheet at or before that, if it is young enough; else it has none, and
    counts as left out. A sheet after the end never stands for it: what happened in between is not known."""
    sheets = books.sheets.get(tank, ())
    last = newest_sheet(sheet for sheet in sheets if sheet.instant <= day.end)
    after = min((sheet.instant for sheet in sheets if sheet.instant > day.end), default=None)
    product = books.products.get(tank, "") if last is None else last.product
    owner = plan.owners.get(tank, "")
    if last is None or (day.end - last.instant).total_seconds() > plan.closing_age_s:
        limit = plan.closing_age_s
        if after is None:
            why = because(ReasonCode.STALE, "no sheet within {limit:duration} before the day ended", limit=limit)
        else:
            phrase = "no sheet within {limit:duration} before the day ended; the first after it is of {after:utc}"
            why = because(ReasonCode.STALE, phrase, limit=limit, after=after.timestamp())
        return TankAtClose(tank, None, False, owner, (why,), product)
    if last.simulated and not plan.simulated:
        return TankAtClose(tank, None, False, owner, (_SIMULATED,), product)
    return TankAtClose(tank, last, _moves(last), owner, remarks_on(last), product)


def newest_sheet(sheets: Iterable[Gauging]) -> Gauging | None:
    """The last one; of several at one instant that of the latest number."""
    return max(sheets, key=lambda sheet: (sheet.instant, sheet.sequence, sheet.boot), default=None)


def remarks_on(sheet: Gauging) -> tuple[Reason, ...]:
    """What keeps a sheet from being all that it could be."""
    found: list[Reason] = []
    if _moves(sheet):
        found.append(_MOVING)
    if sheet.clock_doubt is not None:
        found.append(sheet.clock_doubt)
    if sheet.quality is not Quality.GOOD:
        found += _causes(sheet)
    by_hand = sorted(name for name, figure in sheet.figures.items() if figure.manual and name in _ENTERED)
    found += [because(ReasonCode.MANUAL, "{figure} by hand", figure=name.replace("_", " ")) for name in by_hand]
    return tuple(dict.fromkeys(found))


def _moves(sheet: Gauging) -> bool:
    return sheet.motion in (Motion.FILLING, Motion.EMPTYING)


def _causes(sheet: Gauging) -> list[Reason]:
    """Why it is not Good: without those that only pass on the doubt of another figure, where the cause is told."""
    passed_on = (ReasonCode.INPUT_BAD, ReasonCode.INPUT_UNCERTAIN)
    reasons = [
        reason for figure in sheet.figures.values() if figure.quality is sheet.quality for reason in figure.reasons
    ]
    return [reason for reason in reasons if reason.code not in passed_on] or reasons or [_NOT_GOOD]


_MOVING = Reason(ReasonCode.MOVING, "its contents moved at the end of the day")
_NOT_GOOD = Reason(ReasonCode.INPUT_UNCERTAIN, "its sheet is not Good")
_SIMULATED = Reason(ReasonCode.NOT_INCLUDED, "its sheet rests on simulated values, and the site is real")
_ENTERED = frozenset({"level", "water_level", "liquid_temperature"})
