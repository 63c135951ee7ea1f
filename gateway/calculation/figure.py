"""How figures are made and how quality travels: the worst of the inputs used, Bad without a value."""

from collections.abc import Callable, Sequence
from functools import lru_cache

from gateway.calculation.limits import limit_reason
from gateway.errors import LimitError
from gateway.records import Figure, Input, LastGood, Quality, Reason, ReasonCode, ReasonValue, because

__all__ = [
    "attempt",
    "bad",
    "derive",
    "from_input",
    "from_last_good",
    "good",
    "lower",
    "not_applicable",
    "undated",
]

# A member asked of its enum costs more than a small call: what runs in every sheet names those it needs once, here and
# in the other modules of the calculation.
_GOOD = Quality.GOOD
_UNCERTAIN = Quality.UNCERTAIN
_BAD = Quality.BAD
_new = tuple.__new__
"""As `Figure(...)`, at half its price, with every field given: the makers that use it run forty times a sheet."""


def good(value: float, age_s: float, *reasons: Reason) -> Figure:
    """A Good figure; its reasons are remarks."""
    return _new(Figure, (value, _GOOD, reasons, age_s, False))


def bad(reason: Reason, age_s: float = 0.0) -> Figure:
    return Figure(None, _BAD, (reason,), age_s)


@lru_cache(maxsize=256)
def not_applicable(phrase: str, **values: ReasonValue) -> Figure:
    """Not a quantity of this tank: Good without a value. It is the same in every sheet, so the figure is made once."""
    return Figure(None, _GOOD, (because(ReasonCode.NOT_APPLICABLE, phrase, **values),), 0.0)


def from_input(given: Input) -> Figure:
    """The figure of one input as it stands."""
    value, quality, reason, age_s, _, manual = given
    reasons = () if reason is None else (reason,)
    return _new(Figure, (None if quality is _BAD else value, quality, reasons, age_s, manual))


def from_last_good(
    last: LastGood | None, now_s: float, limit_s: float, causes: Sequence[Reason], phrase: str
) -> Figure | None:
    """The last Good value of a figure in place of the present one, Uncertain; None when none is young enough.

    `now_s` by the same clock as `last`; at most `limit_s` old. `causes`: why there is no present one. `phrase` says
    which stands in, and its `age`.
    """
    if last is None or not 0.0 <= now_s - last.time_s <= limit_s:
        return None
    age_s = now_s - last.time_s
    return Figure(last.value, _UNCERTAIN, (because(ReasonCode.LAST_GOOD_USED, phrase, age=age_s), *causes), age_s)


def undated(density: Figure) -> Figure:
    """A density as what is made with it sees it: its date and its mark of hand entry stay on its own line, and a result
    is as old as its measurements."""
    value, quality, reasons, age_s, manual = density
    if not manual and age_s == 0.0:
        return density
    return _new(Figure, (value, quality, reasons, 0.0, False))


def lower(figure: Figure, reason: Reason, quality: Quality = Quality.UNCERTAIN) -> Figure:
    """The same figure, at best of `quality`, with one more reason, worst first."""
    if quality == _BAD:
        return Figure(None, _BAD, (reason, *figure.reasons), figure.age_s, figure.manual)
    value, before, reasons, age_s, manual = figure
    return Figure(value, max(before, quality), (*reasons, reason), age_s, manual)


def derive(value: float | None, inputs: Sequence[Figure]) -> Figure:
    """A result from the figures used to make it: their worst quality, their greatest age, the reasons of the worst.

    The value is dropped when an input is Bad; without a value the result is Bad, whatever the inputs are.
    """
    if value is None:
        return _derive_with_reasons(None, inputs)
    age_s = 0.0
    # By name: taken apart, a record costs as much as five of its fields.
    for each in inputs:
        if each.quality is not _GOOD or each.manual:
            return _derive_with_reasons(value, inputs)
        if each.age_s > age_s:
            age_s = each.age_s
    return _new(Figure, (value, _GOOD, (), age_s, False))


def _derive_with_reasons(value: float | None, inputs: Sequence[Figure]) -> Figure:
    """`derive` where something is to be said: nearly every figure of a healthy tank goes without."""
    quality = max([figure.quality for figure in inputs])
    age_s = max([figure.age_s for figure in inputs])
    manual = any(figure.manual for figure in inputs)
    if value is None and quality != _BAD:
        # Nothing detected, or not fitted: Good where it stands, but nothing can be made from it.
        return Figure(None, _BAD, (_NOT_THERE,), age_s, manual)
    if quality == _GOOD:
        return Figure(value, _GOOD, (), age_s, manual)
    reasons = tuple(
        dict.fromkeys(reason for figure in inputs if figure.quality == quality for reason in figure.reasons)
    )
    return Figure(None if quality == _BAD else value, quality, reasons, age_s, manual)


_NOT_THERE = Reason(ReasonCode.INPUT_BAD, "a measurement that it needs is not there")


def attempt(relation: Callable[[], float], inputs: Sequence[Figure]) -> Figure:
    """What `relation` gives, derived from `inputs`; Bad with the limit named where it raises LimitError."""
    try:
        return derive(relation(), inputs)
    except LimitError as error:
        return bad(limit_reason(error), max((figure.age_s for figure in inputs), default=0.0))
