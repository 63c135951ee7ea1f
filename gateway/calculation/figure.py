"""How figures are made and how quality travels: the worst of the inputs used, Bad without a value."""

from collections.abc import Callable, Sequence

from gateway.errors import LimitError
from gateway.records import Figure, Input, Quality, Reason, ReasonCode

__all__ = ["absent", "attempt", "bad", "derive", "from_input", "good", "lower", "not_applicable"]

_GOOD = Quality.GOOD
_UNCERTAIN = Quality.UNCERTAIN
_BAD = Quality.BAD


def good(value: float, age_s: float, *reasons: Reason) -> Figure:
    """A Good figure; its reasons are remarks."""
    return Figure(value, _GOOD, reasons, age_s)


def bad(code: ReasonCode, text: str, age_s: float = 0.0) -> Figure:
    return Figure(None, _BAD, (Reason(code, text),), age_s)


def absent(code: ReasonCode, text: str, age_s: float = 0.0) -> Figure:
    """Good without a value: nothing detected, or not a quantity of this tank."""
    return Figure(None, _GOOD, (Reason(code, text),), age_s)


def not_applicable(text: str) -> Figure:
    return absent(ReasonCode.NOT_APPLICABLE, text)


def from_input(given: Input) -> Figure:
    """The figure of one input as it stands."""
    reasons = () if given.reason is None else (given.reason,)
    value = None if given.quality == _BAD else given.value
    return Figure(value, given.quality, reasons, given.age_s, given.manual)


def lower(figure: Figure, code: ReasonCode, text: str, quality: Quality = Quality.UNCERTAIN) -> Figure:
    """The same figure, at best of `quality`, with one more reason, worst first."""
    if quality == _BAD:
        return Figure(None, _BAD, (Reason(code, text), *figure.reasons), figure.age_s, figure.manual)
    worst = max(figure.quality, quality)
    return figure._replace(quality=worst, reasons=(*figure.reasons, Reason(code, text)))


def derive(value: float | None, inputs: Sequence[Figure]) -> Figure:
    """A result from the figures used to make it: their worst quality, their greatest age, the reasons of the worst.

    `value` None only where an input is Bad; the value is dropped in any case when one is.
    """
    quality = _GOOD
    age_s = 0.0
    manual = False
    for figure in inputs:
        if figure.quality > quality:
            quality = figure.quality
        if figure.age_s > age_s:
            age_s = figure.age_s
        if figure.manual:
            manual = True
    if quality == _GOOD:
        return Figure(value, _GOOD, (), age_s, manual)
    reasons = tuple(
        dict.fromkeys(reason for figure in inputs if figure.quality == quality for reason in figure.reasons)
    )
    return Figure(None if quality == _BAD else value, quality, reasons, age_s, manual)


def attempt(
    relation: Callable[[], float], inputs: Sequence[Figure], code: ReasonCode = ReasonCode.METHOD_LIMIT
) -> Figure:
    """What `relation` gives, derived from `inputs`; Bad with `code` and the limit named where it raises LimitError."""
    try:
        return derive(relation(), inputs)
    except LimitError as error:
        return bad(code, str(error), max((figure.age_s for figure in inputs), default=0.0))
