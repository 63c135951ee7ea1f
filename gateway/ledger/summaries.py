"""Pure: what the figures of one tank were within a minute or an hour: least, greatest, last and worst quality of each.

A summary can be added to itself or to a part of itself without changing: nothing is counted, so that what is read again
after a crash counts no value twice. Values are kept as single-precision numbers, six digits and more: trends are for
the eye, records have every digit.
"""

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from gateway.records import Figures, Quality

__all__ = [
    "HOUR_S",
    "MINUTE_S",
    "TRENDED",
    "UNSEEN",
    "Column",
    "Extent",
    "Summary",
    "column_of",
    "extent_in",
    "folded",
    "glance_of",
    "merged",
    "packed",
    "packed_block",
    "summary_from",
    "summary_of",
    "summary_of_plain",
    "unpacked",
    "unpacked_block",
    "worst_of",
]

MINUTE_S = 60
HOUR_S = 3600
TRENDED: tuple[str, ...] = (
    "level",
    "water_level",
    "liquid_temperature",
    "vapour_pressure",
    "tov",
    "gsv",
    "mass",
    "room",
    "observed_density",
    "total_mass",
)
"""Figures, in the order in which they are kept. One that is added comes last: what was kept before has none of it."""
_TRENDED_OF = itemgetter(*[Figures._fields.index(name) for name in TRENDED])
_NONE = math.nan
_UNSEEN = 3
"""In place of a quality: no record of this figure."""
_NUMBERS = 3
_GLANCE = struct.Struct(f"<{len(TRENDED)}f{len(TRENDED)}B")
_THREE = struct.Struct("<3f")
_GREATEST = 3.4e38
"""As a single-precision number."""
_BAD = int(Quality.BAD)
_WORD = 4


class Extent(NamedTuple):
    """Of one figure. Numbers in SI; not a number where there was no value."""

    least: float
    greatest: float
    last: float
    worst: int
    """`Quality`; 3: there was no record."""


class Column(NamedTuple):
    """Of one figure what a block has of it, in the order of its places: the members of `Extent`, each by itself."""

    places: bytes = b""
    least: Sequence[float] = ()
    greatest: Sequence[float] = ()
    last: Sequence[float] = ()
    worst: bytes = b""


Summary = tuple[Extent, ...]
"""By the order of `TRENDED`."""
UNSEEN = Extent(_NONE, _NONE, _NONE, _UNSEEN)


def glance_of(figures: Figures) -> bytes:
    """What there is to be summed up of a single record, in 50 bytes."""
    return _glance([figure[:2] for figure in _TRENDED_OF(figures)])


def summary_from(glance: bytes) -> Summary:
    """Of a single record, from its glance."""
    found = _GLANCE.unpack(glance)
    numbers = found[: len(TRENDED)]
    return tuple(map(Extent, numbers, numbers, numbers, found[len(TRENDED) :]))


def summary_of(figures: Figures) -> Summary:
    """Of a single record."""
    return summary_from(glance_of(figures))


def summary_of_plain(plain: Any) -> Summary:
    """The same of a record's plain values, which need not be made into a record for that. Raises TypeError, KeyError
    and ValueError for what is none."""
    figures = plain["inventory"]["figures"]
    return summary_from(_glance([(figures[name]["value"], figures[name]["quality"]) for name in TRENDED]))


def _glance(given: Sequence[tuple[Any, int]]) -> bytes:
    """Values that are no numbers, as JSON may have them, are none; nor is a number beside Bad."""
    numbers = [
        value if quality != _BAD and isinstance(value, float | int) and math.isfinite(value) else _NONE
        for value, quality in given
    ]
    qualities = [quality for _, quality in given]
    try:
        return _GLANCE.pack(*numbers, *qualities)
    except OverflowError:
        return _GLANCE.pack(*[_NONE if abs(number) > _GREATEST else number for number in numbers], *qualities)


def merged(earlier: Summary, later: Summary) -> Summary:
    """Both together."""
    return tuple(map(_both, earlier, later))


def packed(summary: Summary) -> bytes:
    """130 bytes; `unpacked` makes the same of them."""
    numbers = [number for extent in summary for number in extent[:_NUMBERS]]
    return struct.pack(f"<{len(numbers)}f", *numbers) + bytes([extent.worst for extent in summary])


def unpacked(body: bytes) -> Summary:
    """Of any version: with figures that it did not know yet unseen. Raises ValueError for a body that is damaged."""
    count, rest = divmod(len(body), _NUMBERS * _WORD + 1)
    if rest or count > len(TRENDED):
        raise ValueError(f"{len(body)} bytes are no summary")
    numbers = struct.unpack_from(f"<{count * _NUMBERS}f", body)
    worst = body[count * _NUMBERS * _WORD :]
    columns = zip(*[iter(numbers)] * _NUMBERS, strict=True)
    found = [Extent(least, greatest, last, at) for (least, greatest, last), at in zip(columns, worst, strict=True)]
    return (*found, *[UNSEEN] * (len(TRENDED) - count))


def extent_in(body: bytes, figure: int) -> Extent:
    """Of one figure of what `packed` packed, by its number among `TRENDED`. Much faster than all of it.

    Raises ValueError for a body that is damaged.
    """
    count, rest = divmod(len(body), _NUMBERS * _WORD + 1)
    if rest or count > len(TRENDED):
        raise ValueError(f"{len(body)} bytes are no summary")
    if figure >= count:
        return UNSEEN
    least, greatest, last = _THREE.unpack_from(body, figure * _NUMBERS * _WORD)
    return Extent(least, greatest, last, body[count * _NUMBERS * _WORD + figure])


def packed_block(summaries: Mapping[int, Summary]) -> bytes:
    """Many of one tank, by their place in the block (0 to 255), as bytes that compress well: like beside like."""
    places = sorted(summaries)
    bodies = [packed(summaries[place]) for place in places]
    columns = b"".join(bytes(column) for column in zip(*bodies, strict=True))
    return bytes([len(places), *places]) + columns


def unpacked_block(block: bytes) -> dict[int, Summary]:
    """What `packed_block` packed. Raises ValueError for one that is damaged."""
    places, columns = _parts(block)
    count = len(places)
    return {place: unpacked(columns[at::count]) for at, place in enumerate(places)}


def column_of(block: bytes, figure: int) -> Column:
    """Of one figure of a block, by its number among `TRENDED`: what there is. Much faster than all of it.

    Raises ValueError for a block that is damaged.
    """
    places, columns = _parts(block)
    count = len(places)
    each = _NUMBERS * _WORD
    figures = len(columns) // count // (each + 1)
    if figure >= figures:
        return Column()
    together = bytearray(each * count)
    for byte in range(each):
        begin = (figure * each + byte) * count
        together[byte::each] = columns[begin : begin + count]
    numbers = struct.unpack(f"<{_NUMBERS * count}f", together)
    begin = (figures * each + figure) * count
    worst = columns[begin : begin + count]
    return Column(places, numbers[0::_NUMBERS], numbers[1::_NUMBERS], numbers[2::_NUMBERS], worst)


def worst_of(block: bytes, figure: int) -> tuple[bytes, bytes]:
    """(places, worst quality at each) of one figure of a block: the cheapest that can be known of it. Empty where the
    block has none of it. Raises ValueError for a block that is damaged."""
    places, columns = _parts(block)
    count = len(places)
    figures = len(columns) // count // (_NUMBERS * _WORD + 1)
    if figure >= figures:
        return b"", b""
    begin = (figures * _NUMBERS * _WORD + figure) * count
    return places, columns[begin : begin + count]


def _parts(block: bytes) -> tuple[bytes, bytes]:
    """Its places, and its columns of bytes."""
    count = block[0] if block else 0
    places, columns = block[1 : 1 + count], block[1 + count :]
    if not count or len(places) != count or len(columns) % (count * (_NUMBERS * _WORD + 1)):
        raise ValueError(f"{len(block)} bytes are no block of summaries")
    return places, columns


def folded(summaries: Iterable[Summary]) -> Summary:
    """All together, the earliest first; at least one."""
    total: Summary | None = None
    for each in summaries:
        total = each if total is None else merged(total, each)
    if total is None:
        raise ValueError("nothing to be summed up")
    return total


def _both(earlier: Extent, later: Extent) -> Extent:
    least, greatest, _, worst = earlier
    least_later, greatest_later, last, worst_later = later
    if worst_later == _UNSEEN:
        return earlier
    if worst == _UNSEEN:
        return later
    # A comparison with what is not a number is never true, be it with itself.
    return Extent(
        least_later if least_later < least or least != least else least,
        greatest_later if greatest_later > greatest or greatest != greatest else greatest,
        last,
        worst_later if worst_later > worst else worst,
    )
