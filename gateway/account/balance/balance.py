"""Pure: book against physical of one product over one span.

Book = opening + receipts - dispatches - own use + adjustments; gain = physical - book. A gain is told only where
opening and closing are of the same tanks: a tank that is in one of them alone would stand there as a loss or a gain.
"""

from collections.abc import Iterable, Mapping, Sequence
from math import fsum

from gateway.account.amount import AmountKind
from gateway.account.balance.movements import Moved
from gateway.account.balance.stocked import Stocked, stocked
from gateway.account.day import Balance, TankAtClose
from gateway.account.gauging import Gauging
from gateway.account.plan import BalanceTolerance
from gateway.account.transfers.moved import changed_between
from gateway.account.uncertainty import Budget, expanded, together
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["balance_of", "tolerance_of"]

_SIGNS: Mapping[AmountKind, float] = {
    AmountKind.RECEIPT: 1.0,
    AmountKind.DISPATCH: -1.0,
    AmountKind.OWN_USE: -1.0,
    AmountKind.ADJUSTMENT: 1.0,
}
"""What each does to the book."""


def balance_of(
    product: str,
    measure: str,
    at_begin: Sequence[TankAtClose] | None,
    at_end: Sequence[TankAtClose],
    moved: Iterable[Moved],
    *,
    remarks: tuple[Reason, ...] = (),
) -> Balance:
    """The balance of a product. `at_begin`: the close that it opens from; None: there is none, and no gain is told.

    `remarks` stand at the opening, and change nothing.
    """
    of_product = [each for each in moved if each.product == product]
    booked = [each for each in of_product if not each.is_proposed]
    totals = {kind: _total([each for each in booked if each.kind is kind]) for kind in AmountKind}
    physical = stocked(at_end, product, measure)
    begin = None if at_begin is None else stocked(at_begin, product, measure)
    opening = Figure(None, Quality.BAD, (_NO_OPENING,), 0.0) if begin is None else begin.figure
    book = _sum([(1.0, opening), *((_SIGNS[kind], figure) for kind, figure in totals.items())])
    gain = _gain(product, measure, book, physical, begin, at_begin or (), at_end)
    proposed = [each for each in of_product if each.is_proposed]
    return Balance(
        product=product,
        measure=measure,
        opening=opening._replace(reasons=(*opening.reasons, *remarks)),
        receipts=totals[AmountKind.RECEIPT],
        dispatches=totals[AmountKind.DISPATCH],
        own_use=totals[AmountKind.OWN_USE],
        adjustments=totals[AmountKind.ADJUSTMENT],
        book=book,
        physical=physical.figure,
        gain=gain,
        throughput=_sum([(1.0, totals[AmountKind.DISPATCH]), (1.0, totals[AmountKind.OWN_USE])]),
        uncertainty=None if gain.value is None else _uncertainty(begin, physical, booked),
        tanks=(len(physical.included), len(physical.of)),
        documents=len({each.source for each in booked if each.is_document}),
        tickets=len({each.source for each in booked if not each.is_document}),
        unaccounted=_proposed(proposed) if proposed else None,
    )


def tolerance_of(tolerance: BalanceTolerance, balance: Balance, density_kg_m3: float | None) -> float | None:
    """How far the gain of a month may be from nothing, either way, SI of its measure.

    A part of the throughput and a fixed volume: 40 CFR 280.43(a) has 1.0 % of flow-through and 130 US gallons for
    underground tanks. `density_kg_m3` makes a mass of the fixed volume; None where it is not known.
    """
    if balance.throughput.value is None:
        return None
    fixed = tolerance.fixed_m3
    if "mass" in balance.measure or "weight" in balance.measure:
        if density_kg_m3 is None:
            return None
        fixed *= density_kg_m3
    return tolerance.of_throughput * abs(balance.throughput.value) + fixed


def _total(moved: Sequence[Moved]) -> Figure:
    return _sum([(1.0, each.figure) for each in moved])


def _proposed(moved: Sequence[Moved]) -> Figure:
    """Into the tanks above zero."""
    return _sum([(_SIGNS[each.kind], each.figure) for each in moved])


def _sum(parts: Sequence[tuple[float, Figure]]) -> Figure:
    """Of figures, each times its factor: the worst quality, and why; nothing is 0. One that is Bad leaves no sum."""
    quality = max((figure.quality for _, figure in parts), default=Quality.GOOD)
    reasons = tuple(dict.fromkeys(reason for _, figure in parts if figure.quality for reason in figure.reasons))
    values = [factor * figure.value for factor, figure in parts if figure.value is not None]
    manual = any(figure.manual for _, figure in parts)
    if len(values) < len(parts):
        worst = tuple(dict.fromkeys(reason for _, each in parts if each.value is None for reason in each.reasons))
        return Figure(None, Quality.BAD, worst, 0.0, manual)
    # Adding 0.0 makes nothing of a minus before nothing.
    return Figure(fsum(values) + 0.0, quality, reasons, 0.0, manual)


def _gain(
    product: str,
    measure: str,
    book: Figure,
    physical: Stocked,
    begin: Stocked | None,
    at_begin: Sequence[TankAtClose],
    at_end: Sequence[TankAtClose],
) -> Figure:
    gain = _sum([(1.0, physical.figure), (-1.0, book)])
    if begin is None or gain.value is None:
        return gain
    held, holds = ({tank.tank: tank.product for tank in tanks} for tanks in (at_begin, at_end))
    changed = {tank for tank in begin.of ^ physical.of if held.get(tank) != product or holds.get(tank) != product}
    lacking = sorted((begin.included ^ physical.included) - changed)
    if lacking:
        reasons = tuple(because(ReasonCode.NOT_INCLUDED, _ONE_END, tank=tank) for tank in lacking)
        return Figure(None, Quality.BAD, (*reasons, *gain.reasons), 0.0, gain.manual)
    reasons = tuple(_changed(tank, held, holds) for tank in sorted(changed))
    neither = sorted((begin.of & physical.of) - begin.included)
    reasons += tuple(because(ReasonCode.NOT_INCLUDED, _NEITHER, tank=tank) for tank in neither)
    first, last = _gaugings(at_begin), _gaugings(at_end)
    for tank in sorted(begin.of & physical.of & first.keys() & last.keys()):
        other = changed_between(first[tank], last[tank])[measure]
        if other:
            reasons += (because(ReasonCode.BASIS_CHANGED, _OTHER_BASIS, tank=tank), *other)
    if not reasons:
        return gain
    return gain._replace(quality=max(gain.quality, Quality.UNCERTAIN), reasons=(*reasons, *gain.reasons))


def _gaugings(tanks: Sequence[TankAtClose]) -> dict[str, Gauging]:
    """By tank with a sheet."""
    return {tank.tank: tank.gauging for tank in tanks if tank.gauging is not None}


def _changed(tank: str, held: Mapping[str, str], holds: Mapping[str, str]) -> Reason:
    if tank not in held:
        return because(ReasonCode.PRODUCT_CHANGED, _NEW, tank=tank)
    if tank not in holds:
        return because(ReasonCode.PRODUCT_CHANGED, _GONE, tank=tank)
    return because(ReasonCode.PRODUCT_CHANGED, _CHANGED, tank=tank)


def _uncertainty(begin: Stocked | None, physical: Stocked, booked: Sequence[Moved]) -> float | None:
    """Of the gain, expanded. Tickets rest on the same tanks as opening and closing: what they share cancels."""
    parts: list[tuple[float, Budget | None]] = [(1.0, physical.budget), (-1.0, None if begin is None else begin.budget)]
    parts += [(-_SIGNS[each.kind], each.budget) for each in booked]
    known = [(factor, budget) for factor, budget in parts if budget is not None]
    return expanded(together(known)) if len(known) == len(parts) else None


_NO_OPENING = Reason(ReasonCode.NO_OPENING, "there is no close to open from")
_ONE_END = "{tank} is in opening or closing alone: its stock would look like a gain or a loss"
_NEITHER = "{tank} is in neither opening nor closing: what was moved through it is in the difference"
_CHANGED = "{tank} was put to another product: what it held then is in the difference unless it was booked"
_NEW = "{tank} is new: what it held before its first close is in the difference unless it was booked"
_OTHER_BASIS = "{tank} is reckoned in another way than at the opening: what lay still in it is in the difference"
_GONE = "{tank} is no tank of the site any more: what it held is in the difference unless it was booked"
