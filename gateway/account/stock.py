"""Pure: what the site holds now, by product, by owner and altogether, and what those totals leave out."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from math import fsum
from typing import NamedTuple

from gateway.account.balance.stocked import applies
from gateway.account.gauging import MEASURES, Gauging
from gateway.account.plan import AccountPlan
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["STOCKED", "Stock", "StockFigure", "StockLine", "stock_of"]

STOCKED = (*MEASURES, "pumpable", "room")
"""Figures that are added up: m3, and kg."""


class StockFigure(NamedTuple):
    """One total. Bad tanks are left out and named, Uncertain ones are in it and make it an estimate."""

    figure: Figure
    tanks: tuple[int, int]
    """How many it includes, of how many that have this figure at all."""
    excluded: tuple[tuple[str, Reason], ...] = ()
    """Each tank that is left out, and why."""

    @property
    def is_estimated(self) -> bool:
        return self.figure.quality is Quality.UNCERTAIN


class StockLine(NamedTuple):
    """What one group of tanks holds of one product."""

    product: str
    """Empty: of all products, where volumes are added that are of different things."""
    owner: str | None
    """None: of all owners; empty: of tanks of which none is given."""
    figures: Mapping[str, StockFigure]
    """By name: those of `STOCKED` that a tank of the group has."""
    members: tuple[str, ...]
    """Tanks, in order."""
    moving: tuple[str, ...]
    simulated: bool


class Stock(NamedTuple):
    """The stock of a site at one instant."""

    instant: datetime
    """UTC."""
    products: tuple[StockLine, ...]
    owners: tuple[StockLine, ...]
    """By owner and product."""
    site: StockLine
    oldest: datetime | None
    """UTC, of the oldest sheet in it."""


def stock_of(plan: AccountPlan, sheets: Mapping[str, Gauging], products: Mapping[str, str], now: datetime) -> Stock:
    """The stock by the newest sheet of each tank. `products`: by tank, of every tank of the site, what it holds by the
    site file; a tank without a sheet, or with one older than that of a close may be, is left out and named."""
    lost: dict[str, Reason] = {}
    usable: dict[str, Gauging] = {}
    for tank in sorted({*sheets, *products}):
        sheet = sheets.get(tank)
        if sheet is None:
            lost[tank] = _NO_SHEET
        elif (age_s := (now - sheet.instant).total_seconds()) > plan.closing_age_s:
            lost[tank] = because(ReasonCode.STALE, "its last sheet is {age:duration} old", age=age_s)
        else:
            usable[tank] = sheet
    holds = {tank: sheets[tank].product if tank in sheets else products[tank] for tank in (*usable, *lost)}
    owner_of = {tank: plan.owners.get(tank, "") for tank in holds}
    lines = [
        _line(product, None, [tank for tank in holds if holds[tank] == product], usable, lost, sheets)
        for product in sorted(set(holds.values()))
    ]
    by_owner = [
        _line(
            product,
            owner,
            [tank for tank in holds if (owner_of[tank], holds[tank]) == (owner, product)],
            usable,
            lost,
            sheets,
        )
        for owner, product in sorted({(owner_of[tank], holds[tank]) for tank in holds})
    ]
    return Stock(
        instant=now,
        products=tuple(lines),
        owners=tuple(by_owner),
        site=_line("", None, list(holds), usable, lost, sheets),
        oldest=min((sheet.instant for sheet in usable.values()), default=None),
    )


def _line(
    product: str,
    owner: str | None,
    tanks: Iterable[str],
    usable: Mapping[str, Gauging],
    lost: Mapping[str, Reason],
    sheets: Mapping[str, Gauging],
) -> StockLine:
    members = sorted(tanks)
    there = [usable[tank] for tank in members if tank in usable]
    figures: dict[str, StockFigure] = {}
    for name in STOCKED:
        having = [sheet for sheet in there if applies(sheet.figures, name)]
        gone = [(tank, lost[tank]) for tank in members if tank in lost and _would_have(tank, name, sheets)]
        if having or (gone and not there):
            figures[name] = _total(name, having, gone)
    return StockLine(
        product=product,
        owner=owner,
        figures=figures,
        members=tuple(members),
        moving=tuple(sheet.tank for sheet in there if sheet.motion in ("filling", "emptying")),
        simulated=any(sheet.simulated for sheet in there),
    )


def _would_have(tank: str, name: str, sheets: Mapping[str, Gauging]) -> bool:
    """Whether a tank that is left out has this figure at all, by its last sheet; nothing tells it of one without."""
    return tank not in sheets or applies(sheets[tank].figures, name)


def _total(name: str, having: Sequence[Gauging], gone: Sequence[tuple[str, Reason]]) -> StockFigure:
    counted = [(sheet, sheet.figures[name]) for sheet in having if sheet.figures[name].value is not None]
    # Good without a value is none detected: nothing is there, and nothing is missing.
    empty = [sheet for sheet in having if sheet.figures[name].value is None and not sheet.figures[name].quality]
    bad = [(sheet.tank, _first(sheet.figures[name])) for sheet in having if sheet.figures[name].quality is Quality.BAD]
    excluded = tuple(sorted([*gone, *bad]))
    of = len(having) + len(gone)
    included = len(counted) + len(empty)
    if not included:
        return StockFigure(Figure(None, Quality.BAD, tuple(reason for _, reason in excluded), 0.0), (0, of), excluded)
    doubts = tuple(
        because(ReasonCode.INPUT_UNCERTAIN, "{tank}: {reason}", tank=sheet.tank, reason=_first(figure))
        for sheet, figure in counted
        if figure.quality is Quality.UNCERTAIN
    )
    missing = tuple(
        because(ReasonCode.NOT_INCLUDED, "{tank} is not in it: {reason}", tank=tank, reason=reason)
        for tank, reason in excluded
    )
    reasons = (*missing, *doubts)
    figure = Figure(
        fsum(figure.value for _, figure in counted if figure.value is not None),
        Quality.UNCERTAIN if reasons else Quality.GOOD,
        reasons,
        max((figure.age_s for _, figure in counted), default=0.0),
        any(figure.manual for _, figure in counted),
    )
    return StockFigure(figure, (included, of), excluded)


def _first(figure: Figure) -> Reason:
    return figure.reasons[0] if figure.reasons else _UNTOLD


_NO_SHEET = Reason(ReasonCode.NOT_YET_READ, "it has no sheet yet")
_UNTOLD = Reason(ReasonCode.INPUT_UNCERTAIN, "its sheet does not say why")
