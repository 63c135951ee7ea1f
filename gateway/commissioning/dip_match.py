"""Pure: which types, byte orders and scales make a hand-dipped level of the words that stood on the wire with it.

A word order is believed only when a dip has proved it. Words that mean something else can fit one dip by chance, so
each match carries the chance that words at random would have fitted as well, and two matches are told apart by a second
dip at another level.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, log
from types import MappingProxyType
from typing import NamedTuple

from gateway.acquisition.signals.register_map import ByteOrder, ValueType
from gateway.commissioning.decodings import NUMBER_TYPES, number_of, orders_of
from gateway.modbus.tables import Table

__all__ = [
    "SCALES",
    "DipQuestion",
    "Match",
    "Measures",
    "Strength",
    "copies",
    "match_dip",
    "ranked",
    "still_fitting",
    "told_apart",
]

SCALES: Mapping[str, float] = MappingProxyType(
    {
        "0.1 mm": 0.0001,
        "1 mm": 0.001,
        "1 cm": 0.01,
        "1 m": 1.0,
        "1/16 in": 0.0254 / 16,
        "1/8 in": 0.0254 / 8,
        "1 in": 0.0254,
        "0.01 ft": 0.003048,
        "1 ft": 0.3048,
    }
)
"""Metres in one count, by what the register may count. Inch and foot: international yard and pound agreement, 1959."""

_LEAST_MOVE_M = 0.1
"""Dips nearer to one another than this do not tell a right match from a chance one."""
_SAME_M = 0.0005
"""Two ways of reading that differ by less tell the same."""
_LOOP_COUNTS: Mapping[str, float] = MappingProxyType({"1 uA": 0.001, "0.01 mA": 0.01, "1 mA": 1.0})
"""Milliampere in one count."""
_FLOATS = (ValueType.FLOAT32, ValueType.FLOAT64)
_ORDER_RANK = {order: rank for rank, order in enumerate(ByteOrder)}
_WIDTH_RANK = {2: 0, 1: 1, 4: 2}
"""By registers. Beside a word that is zero, a number of 32 bits is commoner than one of 16 beside an unused register;
levels of 64 bits are rare (common practice)."""
# A float is as likely to have any exponent as any other: 254 of float32, 2046 of float64 (IEEE 754).
_FLOAT_OCTAVES = {ValueType.FLOAT32: 254, ValueType.FLOAT64: 2046}


class Measures(StrEnum):
    INNAGE = "innage"
    ULLAGE = "ullage"


class Strength(StrEnum):
    """How hard it would be to fit by chance."""

    STRONG = "strong"
    FAIR = "fair"
    WEAK = "weak"


@dataclass(frozen=True, slots=True)
class DipQuestion:
    """What was measured by hand, and what may be supposed of the gauge. Lengths in m."""

    innage: float
    tolerance: float
    reference_height: float | None = None
    """Without it no ullage can be recognised."""
    span: tuple[float, float] | None = None
    """What 4 mA and 20 mA mean; without it no current loop can be recognised."""


class _Key(NamedTuple):
    table: Table
    address: int
    type: ValueType
    order: ByteOrder
    counts: str
    measures: Measures


class Match(NamedTuple):
    """One way to read the words that gives the dipped level."""

    table: Table
    address: int
    type: ValueType
    order: ByteOrder
    counts: str
    """What the register counts: `0.1 mm`, `1 ft`, `1 uA` ..."""
    measures: Measures
    innage: float
    """As the words then say, in m."""
    difference: float
    """From the dip, in m."""
    chance: float
    """That words at random would fit as well in this one reading."""
    step: float
    """What one count means, in m; 0 for a float."""
    sign_open: bool = False
    """Whether the signed and the unsigned type give the same number here; the unsigned one is named."""

    @property
    def strength(self) -> Strength:
        if self.chance < 1e-5:
            return Strength.STRONG
        return Strength.FAIR if self.chance < 1e-3 else Strength.WEAK

    @property
    def key(self) -> "_Key":
        """What makes it the same supposition at another level."""
        return _Key(self.table, self.address, self.type, self.order, self.counts, self.measures)


def match_dip(table: Table, words: Sequence[int], address: int, question: DipQuestion) -> list[Match]:
    """Every match within the tolerance, as `ranked`; `address` is that of the first word.

    Of two integer types that differ only in sign and give the same number, the unsigned one is named.
    """
    found: list[Match] = []
    for kind in NUMBER_TYPES:
        for start in range(len(words) - kind.registers + 1):
            part = words[start : start + kind.registers]
            for order in orders_of(kind):
                number = number_of(part, kind, order)
                if not isfinite(number):
                    continue
                found += _matches(table, part, address + start, kind, order, number, question)
    return ranked(_without_twins(found))


def ranked(matches: Iterable[Match]) -> list[Match]:
    """Least chance first; of equals the commoner order and width, the nearer value, the lower address."""
    return sorted(
        matches,
        key=lambda match: (
            match.chance,
            _ORDER_RANK[match.order],
            _WIDTH_RANK[match.type.registers],
            abs(match.difference),
            match.address,
        ),
    )


def told_apart(one: DipQuestion, other: DipQuestion) -> bool:
    """Whether two dips are at different levels for sure: further apart than both tolerances together, and by 0.1 m, so
    that a register that never moves cannot fit both."""
    return abs(one.innage - other.innage) > max(_LEAST_MOVE_M, one.tolerance + other.tolerance)


def copies(matches: Sequence[Match], earlier: Iterable[Match]) -> list[list[Match]]:
    """`matches`, all of which fitted an earlier dip, in groups that told the same innage at both dips.

    A level that stands in two registers, or a number read with and without a word that is always zero, is one value.
    """
    before = {key: match.innage for match in earlier for key in _keys_of_either_sign(match)}
    groups: list[list[Match]] = []
    for match in matches:
        then = next(before[key] for key in _keys_of_either_sign(match) if key in before)
        for group in groups:
            first = group[0]
            first_then = next(before[key] for key in _keys_of_either_sign(first) if key in before)
            step = max(match.step, first.step) * 1.001 + _SAME_M
            if abs(match.innage - first.innage) <= step and abs(then - first_then) <= step:
                group.append(match)
                break
        else:
            groups.append([match])
    return groups


def still_fitting(matches: Iterable[Match], earlier: Iterable[Match]) -> list[Match]:
    """Those of `matches` that fitted an earlier dip too, in their order."""
    before = {key for match in earlier for key in _keys_of_either_sign(match)}
    return [match for match in matches if before & _keys_of_either_sign(match)]


def _matches(
    table: Table,
    part: Sequence[int],
    address: int,
    kind: ValueType,
    order: ByteOrder,
    number: int | float,
    question: DipQuestion,
) -> Iterable[Match]:
    for counts, measured, per_count in _lengths(kind, number, question):
        for measures in Measures:
            if measures is Measures.INNAGE:
                innage = measured
            elif question.reference_height is not None:
                innage = question.reference_height - measured
            else:
                continue
            difference = innage - question.innage
            # A hair more than the tolerance, which a difference of exactly the tolerance needs in binary.
            if abs(difference) <= question.tolerance * (1 + 1e-9) + 1e-12:
                chance = _chance(part, kind, number, per_count, question.tolerance)
                step = 0.0 if kind in _FLOATS else abs(per_count)
                yield Match(table, address, kind, order, counts, measures, innage, difference, chance, step)


def _lengths(kind: ValueType, number: int | float, question: DipQuestion) -> Iterable[tuple[str, float, float]]:
    """(what is counted, length in m, metres a count) for everything the number may count."""
    for counts, metres in SCALES.items():
        yield counts, number * metres, metres
    if question.span is None:
        return
    low, high = question.span
    for counts, milliampere in _LOOP_COUNTS.items():
        per_count = (high - low) / 16.0 * milliampere
        # A loop that has failed measures nothing (NAMUR NE 43).
        if 3.8 <= number * milliampere <= 20.5:
            yield counts, low + (number * milliampere - 4.0) * (high - low) / 16.0, abs(per_count)


def _chance(part: Sequence[int], kind: ValueType, number: int | float, per_count: float, tolerance: float) -> float:
    """Of all values that the words could have had, the part that would have fitted.

    Leading words of an integer that are all zero count for nothing: an unused register is zero as well.
    """
    window = 2.0 * tolerance / per_count
    if kind in _FLOATS:
        octaves = window / (max(abs(number), window) * log(2.0))
        return min(1.0, octaves / (2 * _FLOAT_OCTAVES[kind]))
    telling = sum(1 for word in part if word) or 1
    return min(1.0, (window + 1.0) / 2.0 ** (16 * telling))


def _without_twins(matches: Sequence[Match]) -> list[Match]:
    """Signed matches whose unsigned twin fits as well are left out, and the twin says so."""
    keys = {match.key for match in matches}
    kept = []
    for match in matches:
        twin = _other_sign(match.key)
        if twin not in keys:
            kept.append(match)
        elif match.type.value.startswith("u"):
            kept.append(match._replace(sign_open=True))
    return kept


def _other_sign(key: _Key) -> _Key | None:
    if key.type in _FLOATS:
        return None
    name = key.type.value
    return key._replace(type=ValueType(name[1:] if name.startswith("u") else f"u{name}"))


def _keys_of_either_sign(match: Match) -> set[_Key]:
    twin = _other_sign(match.key)
    return {match.key, twin} if match.sign_open and twin is not None else {match.key}
