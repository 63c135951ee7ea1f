"""What has moved: of each measure closing less opening, with the worse of the two qualities and every reason of both.

The amount of a tank is that of API MPMS 17.1 and 17.2 and of ISO 4267-2 for tank gauging: the difference of two
static measurements of the same tank, each reduced to the same basis before they are subtracted.
"""

from collections.abc import Callable, Iterable, Mapping
from math import sqrt

from gateway.account.gauging import MEASURES, Gauging
from gateway.account.ticket import TicketSide
from gateway.account.transfer import Direction, Side, TransferKind
from gateway.records import Figure, Quality, Reason, ReasonCode, because
from gateway.sources import DensitySource

__all__ = [
    "AmountUncertainty",
    "between",
    "changed_between",
    "main_measure",
    "no_uncertainty",
    "ticket_moved",
    "ticket_side",
    "told_measure",
    "uncertainty_of",
]

AmountUncertainty = Callable[[Gauging, Gauging], Mapping[str, float]]
"""Of what one tank took in from the first gauging to the second: by measure, SI, expanded (k = 2)."""
_BY_DENSITY = frozenset({"gsv", "nsv", "mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass"})
_NET = frozenset({"nsv", "net_mass", "net_weight_in_air"})
_SAME_DENSITY = 1e-9
_OF_VOLUME = frozenset({"tov", "free_water"})
_ENTERED = (DensitySource.REFERENCE, DensitySource.OBSERVED)


def no_uncertainty(opening: Gauging, closing: Gauging) -> Mapping[str, float]:
    """Where nobody has said how good gauge and table are."""
    return {}


def ticket_side(side: Side, opening: Gauging, closing: Gauging, doubts: tuple[Reason, ...] = ()) -> TicketSide:
    """One tank of a ticket; `doubts` make every amount Uncertain at best."""
    moved = between(side.direction, opening, closing, doubts)
    return TicketSide(side.tank, side.direction, opening, closing, moved)


def between(
    direction: Direction, opening: Gauging, closing: Gauging, doubts: tuple[Reason, ...] = ()
) -> dict[str, Figure]:
    """By measure, SI: what moved in that direction between two sheets of a tank; below zero: the other way."""
    sign = 1.0 if direction is Direction.INTO else -1.0
    changed = changed_between(opening, closing)
    return {name: _moved(name, sign, opening, closing, (*doubts, *changed.get(name, ()))) for name in MEASURES}


def ticket_moved(kind: TransferKind, sides: Iterable[TicketSide]) -> dict[str, Figure]:
    """The amount of a ticket: of a transfer from tank to tank what the receiving tanks took in, else all sides."""
    counted = [side for side in sides if kind is not TransferKind.TANK_TO_TANK or side.direction is Direction.INTO]
    return {name: _sum([side.moved[name] for side in counted]) for name in MEASURES}


def uncertainty_of(kind: TransferKind, sides: Iterable[TicketSide], one: AmountUncertainty) -> dict[str, float]:
    """Of the amount of a ticket: tanks are independent, so by the root of the sum of squares (GUM, 5.1.2)."""
    counted = [
        one(side.opening, side.closing)
        for side in sides
        if kind is not TransferKind.TANK_TO_TANK or side.direction is Direction.INTO
    ]
    return {
        name: sqrt(sum(each[name] ** 2 for each in counted))
        for name in MEASURES
        if counted and all(name in each for each in counted)
    }


def told_measure(moved: Mapping[str, Figure], kind: TransferKind) -> str:
    """By which an amount is told: of a water draw the water, where that is known; else what counts of the product."""
    water = moved.get("free_water")
    if kind is TransferKind.WATER_DRAW and water is not None and water.value is not None:
        return "free_water"
    return main_measure(moved)


def main_measure(moved: Mapping[str, Figure]) -> str:
    """By which a product is told: GSV; mass of one without it, with its vapour where there is some."""
    for name in ("gsv", "total_mass", "mass"):
        figure = moved[name]
        if figure.value is not None or figure.quality is Quality.BAD:
            return name
    return "tov"


def _moved(name: str, sign: float, opening: Gauging, closing: Gauging, doubts: tuple[Reason, ...]) -> Figure:
    before, after = opening.figures[name], closing.figures[name]
    age_s, manual = max(before.age_s, after.age_s), before.manual or after.manual
    quality = max(before.quality, after.quality)
    reasons = _together((("at the opening", before.reasons), ("at the closing", after.reasons)))
    if before.value is None and after.value is None and quality is Quality.GOOD:
        return Figure(None, Quality.GOOD, after.reasons, age_s, manual)
    if before.value is None or after.value is None or quality is Quality.BAD:
        if quality is not Quality.BAD:
            when = "opening" if before.value is None else "closing"
            reasons = (*reasons, because(ReasonCode.BASIS_CHANGED, "the {when} has no such figure", when=when))
        return Figure(None, Quality.BAD, (*reasons, *doubts), age_s, manual)
    if opening.product != closing.product and name not in _OF_VOLUME:
        return Figure(None, Quality.BAD, (*reasons, *doubts), age_s, manual)
    if doubts:
        quality = Quality.UNCERTAIN
    return Figure(sign * (after.value - before.value), quality, (*reasons, *doubts), age_s, manual)


def changed_between(opening: Gauging, closing: Gauging) -> dict[str, tuple[Reason, ...]]:
    """By measure: what else than the contents makes the difference between two sheets."""
    found: list[tuple[Iterable[str], Reason]] = []
    if opening.product != closing.product:
        phrase = "the tank held {before} at the opening and {after} at the closing"
        reason = because(ReasonCode.PRODUCT_CHANGED, phrase, before=opening.product, after=closing.product)
        found.append((MEASURES, reason))
    if opening.basis != closing.basis or (not opening.basis and opening.plan != closing.plan):
        phrase = "table, product or instruments of the tank changed in the site file between opening and closing"
        found.append((MEASURES, because(ReasonCode.BASIS_CHANGED, phrase)))
    if opening.sources.level is not closing.sources.level:
        phrase = "the level was by {before} at the opening and by {after} at the closing"
        found.append((MEASURES, _by_another(phrase, opening.sources.level, closing.sources.level)))
    if opening.sources.water is not closing.sources.water:
        phrase = "the free water was by {before} at the opening and by {after} at the closing"
        reason = _by_another(phrase, opening.sources.water, closing.sources.water)
        found.append(([name for name in MEASURES if name != "tov"], reason))
    share = _entered_meanwhile("sediment_water", "sediment and water", opening, closing)
    if share is not None:
        found.append((_NET, share))
    density = _other_density(opening, closing)
    if density is not None:
        found.append((_BY_DENSITY, density))
    return {name: tuple(reason for names, reason in found if name in names) for name in MEASURES}


def _other_density(opening: Gauging, closing: Gauging) -> Reason | None:
    """What lay still in the tank is reckoned with another density: that is no movement."""
    before, after = opening.sources.density, closing.sources.density
    if before is not after:
        return _by_another("the density was {before} at the opening and {after} at the closing", before, after)
    if after not in _ENTERED:
        return None
    name = "reference_density" if after is DensitySource.REFERENCE else "observed_density"
    first, second = opening.figures[name].value, closing.figures[name].value
    if first is None or second is None or abs(second - first) <= _SAME_DENSITY * abs(first):
        return None
    phrase = (
        "another density was entered meanwhile: {before:kg/m3 .1f} at the opening, {after:kg/m3 .1f} at the closing"
    )
    return because(ReasonCode.BASIS_CHANGED, phrase, before=first, after=second)


def _entered_meanwhile(name: str, words: str, opening: Gauging, closing: Gauging) -> Reason | None:
    """What lay still in the tank is reckoned with another share: that is no movement either."""
    first, second = opening.figures[name].value, closing.figures[name].value
    if first == second:
        return None
    return because(ReasonCode.BASIS_CHANGED, "another share of {what} was entered meanwhile", what=words)


def _by_another(phrase: str, before: str, after: str) -> Reason:
    words = (each.replace("_", " ") for each in (before, after))
    return because(ReasonCode.BASIS_CHANGED, phrase, **dict(zip(("before", "after"), words, strict=True)))


def _together(parts: Iterable[tuple[str, tuple[Reason, ...]]]) -> tuple[Reason, ...]:
    """The code stays what it was; when is said before it. What holds at both is said once."""
    found: dict[tuple[str, str], Reason] = {}
    for when, reasons in parts:
        for reason in reasons:
            key = reason.code, reason.phrase
            if key in found:
                found[key] = reason
            else:
                found[key] = because(reason.code, "{when}: {behind}", when=when, behind=reason)
    return tuple(found.values())


def _sum(figures: list[Figure]) -> Figure:
    if len(figures) == 1:
        return figures[0]
    quality = max(figure.quality for figure in figures)
    reasons = tuple(dict.fromkeys(reason for figure in figures for reason in figure.reasons))
    values = [figure.value for figure in figures]
    age_s, manual = max(figure.age_s for figure in figures), any(figure.manual for figure in figures)
    known = [value for value in values if value is not None]
    if quality is Quality.BAD or not known:
        return Figure(None, quality, reasons, age_s, manual)
    if len(known) < len(values):
        why = because(ReasonCode.BASIS_CHANGED, "not every tank has such a figure")
        return Figure(None, Quality.BAD, (*reasons, why), age_s, manual)
    return Figure(sum(known), quality, reasons, age_s, manual)
