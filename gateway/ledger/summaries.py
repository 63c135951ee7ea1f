"""Pure: what the figures of one tank were within a minute or an hour: least, greatest, last and worst quality of each.

A summary can be added to itself or to a part of itself without changing: nothing is counted, so that what is read again
after a crash counts no value twice. Values are kept as single-precision numbers, six digits and more: trends are for
the eye, records have every digit.
"""

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from gateway.records import Figures, Quality

__all__ = [
    "HOUR_S",
    "MINUTE_S",
    "TRENDED",
    "UNSEEN",
    "Extent",
    "Summary",
    "column_of",
    "folded",
    "merged",
    "packed",
    "packed_block",
    "summary_of",
    "summary_of_plain",
    "unpacked",
    "unpacked_block",
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
)
"""Figures, in the order in which they are kept. One that is added comes last: what was kept before has none of it."""
_INDEX = tuple(Figures._fields.index(name) for name in TRENDED)
_NONE = math.nan
_UNSEEN = 3
"""In place of a quality: no record of this figure."""
_NUMBERS = 3
_SINGLES = struct.Struct(f"<{len(TRENDED)}f")
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


Summary = tuple[Extent, ...]
"""By the order of `TRENDED`."""
UNSEEN = Extent(_NONE, _NONE, _NONE, _UNSEEN)


def summary_of(figures: Figures) -> Summary:
    """Of a single record."""
    return _summary([figures[index][:2] for index in _INDEX])


def summary_of_plain(plain: Any) -> Summary:
    """The same of a record's plain values, which need not be made into a record for that. Raises TypeError, KeyError
    and ValueError for what is none."""
    figures = plain["inventory"]["figures"]
    return _summary([(figures[name]["value"], figures[name]["quality"]) for name in TRENDED])


def _summary(given: Sequence[tuple[Any, int]]) -> Summary:
    """Values that are no numbers, as JSON may have them, are none; nor is a number beside Bad."""
    numbers = [
        value if quality != _BAD and isinstance(value, float | int) and math.isfinite(value) else _NONE
        for value, quality in given
    ]
    try:
        singles: Sequence[float] = _SINGLES.unpack(_SINGLES.pack(*numbers))
    except OverflowError:
        singles = [_NONE if abs(number) > _GREATEST else _single(number) for number in numbers]
    return tuple(
        [Extent(number, number, number, int(quality)) for number, (_, quality) in zip(singles, given, strict=True)]
    )


def merged(earlier: Summary, later: Summary) -> Summary:
    """Both together."""
    return tuple([_both(a, b) for a, b in zip(earlier, later, strict=True)])


def packed(summary: Summary) -> bytes:
    """117 bytes; `unpacked` makes the same of them."""
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


def column_of(block: bytes, figure: int) -> list[tuple[int, Extent]]:
    """Of one figure of a block, by its number among `TRENDED`: what there is, by its place. Much faster than all of it.

    Raises ValueError for a block that is damaged.
    """
    places, columns = _parts(block)
    count = len(places)
    figures = len(columns) // count // (_NUMBERS * _WORD + 1)
    if figure >= figures:
        return []
    numbers = []
    for number in range(_NUMBERS):
        together = bytearray(_WORD * count)
        for byte in range(_WORD):
            begin = ((figure * _NUMBERS + number) * _WORD + byte) * count
            together[byte::_WORD] = columns[begin : begin + count]
        numbers.append(struct.unpack(f"<{count}f", together))
    begin = (figures * _NUMBERS * _WORD + figure) * count
    worst = columns[begin : begin + count]
    return list(zip(places, map(Extent, *numbers, worst), strict=True))


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
    if later.worst == _UNSEEN:
        return earlier
    if earlier.worst == _UNSEEN:
        return later
    # A comparison with what is not a number is never true.
    least = later.least if later.least < earlier.least or math.isnan(earlier.least) else earlier.least
    greatest = later.greatest if later.greatest > earlier.greatest or math.isnan(earlier.greatest) else earlier.greatest
    return Extent(least, greatest, later.last, max(earlier.worst, later.worst))


def _single(value: float) -> float:
    found: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return found
