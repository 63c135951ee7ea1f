"""The ruled line of a tank, in characters: from the datum to its highest limit, where the level is, whither it goes.

    ══┴──────────────────▶┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┴─┴─┴

A heavy stop is a level at rest, an arrowhead one that moves, and the lighter stretch ahead of it leads to the next
limit in its direction. A dashed stop with `?` is Uncertain; a gap is no level, with a hollow mark where it was last.
The double line at the low end is free water.
"""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.records import Quality
from gateway.tank_state import Motion

__all__ = ["LEGEND", "Ruled", "ruler"]

_LINE, _TICK, _WATER, _AHEAD = "─", "┴", "═", "┄"
_AT_REST, _RISING, _FALLING, _UNCERTAIN, _DOUBT, _LAST = "┃", "▶", "◀", "┇", "?", "○"
_BEYOND = "»"
"""In the last place: the level is above all limits."""
_LEAST = 12

LEGEND = f"{_AT_REST} at rest  {_RISING} rises  {_FALLING} falls  {_UNCERTAIN}{_DOUBT} uncertain  {_LAST} last known"


class Ruled(NamedTuple):
    """What a ruler shows, in m above the datum."""

    level: float | None
    quality: Quality
    motion: Motion
    limits: Sequence[float]
    last_level: float | None = None
    """The last Good one, where there is none."""
    water: float | None = None


def ruler(ruled: Ruled, width: int = 40) -> str:
    """Exactly `width` characters, 12 at least. Empty where no limit is known: then nothing says where the end is."""
    if not ruled.limits or width < _LEAST:
        return ""
    top = max(ruled.limits)
    cells = [_LINE] * width
    ticks = sorted({_place(limit, top, width) for limit in ruled.limits})
    if ruled.water is not None and ruled.water > 0.0:
        cells[: _place(ruled.water, top, width) + 1] = _WATER * (_place(ruled.water, top, width) + 1)
    for tick in ticks:
        cells[tick] = _TICK
    if ruled.level is None:
        return "".join(_without_level(cells, ruled.last_level, top))
    stop = _place(ruled.level, top, width)
    if ruled.motion is Motion.FILLING:
        ahead = next((tick for tick in ticks if tick > stop), width)
        cells[stop + 1 : ahead] = _AHEAD * (ahead - stop - 1)
    elif ruled.motion is Motion.EMPTYING:
        behind = next((tick for tick in reversed(ticks) if tick < stop), 0)
        cells[behind + 1 : stop] = _AHEAD * max(0, stop - behind - 1)
    cells[stop] = _stop(ruled, top)
    if ruled.quality is not Quality.GOOD:
        cells[stop + 1 if stop + 1 < width else stop - 1] = _DOUBT
    return "".join(cells)


def _place(level: float, top: float, width: int) -> int:
    share = min(max(level / top, 0.0), 1.0)
    return min(int(share * width), width - 1)


def _stop(ruled: Ruled, top: float) -> str:
    if ruled.level is not None and ruled.level > top:
        return _BEYOND
    match ruled.motion:
        case Motion.FILLING:
            return _RISING
        case Motion.EMPTYING:
            return _FALLING
        case _:
            return _AT_REST if ruled.quality is Quality.GOOD else _UNCERTAIN


def _without_level(cells: list[str], last: float | None, top: float) -> list[str]:
    """A gap where the level was last, or all along where that is not known either."""
    width = len(cells)
    if last is None:
        return [cell if cell == _TICK else " " for cell in cells]
    place = _place(last, top, width)
    for cell in range(max(0, place - 2), min(width, place + 3)):
        cells[cell] = " "
    cells[place] = _LAST
    return cells
