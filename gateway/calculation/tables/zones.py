"""Zones of a capacity table whose surface does not suit those around: a course that was scaled, or is another tank's.

Volume is laid out against a reference, the level or the volume of a shape, and parted into straight zones by dynamic
programming. Courses of one shell differ little: neighbouring radii by well under 0.3 %, surfaces by well under 0.6 %
(common practice). Short zones are left alone: coils, manholes and landing roofs are so.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

__all__ = ["OddZone", "Zone", "even_part", "odd_zones", "usual_slope", "zones"]

_NODES = 220
"""Rows between which zones may end, evenly over the height: more would cost time and find nothing."""
_PER_ZONE = 25.0
"""What a further zone must save in squared errors over their variance."""
_UNEVEN_M = 0.0002
"""Of level: what a wall may stray from straight within a zone."""
_JUMP = 0.0065
"""Of the surface: more than courses of one shell differ by."""
_SURE = 2.5
"""Standard errors beside it."""
_VAGUE = 0.0025
"""Of the slope: a zone known less well is not compared."""
_BETWEEN = 0.4
"""Of the shortest: what is shorter lies across the border of two courses, or on a curved floor."""
_BOTTOM_M = 0.3
_AT_BOTTOM, _AT_TOP = 1.6, 0.85
"""Of the shortest: at the bottom stand coils and uneven floors, at the top often a part of a course."""
_EVEN = 0.03


class Zone(NamedTuple):
    """Rows on one straight line of volume against the reference."""

    from_m: float
    to_m: float
    slope: float
    error: float
    """Standard error of the slope."""

    @property
    def height_m(self) -> float:
        return self.to_m - self.from_m


class OddZone(NamedTuple):
    """A zone whose surface differs from those beside it."""

    from_m: float
    to_m: float
    share: float
    """By how much of the surface; above zero where it is larger."""


def zones(
    levels_m: Sequence[float], volumes_m3: Sequence[float], reference: Sequence[float], printed_m3: float
) -> tuple[Zone, ...]:
    """The straight zones of the table, lowest first. `reference` rises with the level."""
    mean = (volumes_m3[-1] - volumes_m3[0]) / (levels_m[-1] - levels_m[0])
    variance = printed_m3**2 / 12.0 + (_UNEVEN_M * mean) ** 2
    sums = _sums(reference, volumes_m3)
    nodes = _nodes(levels_m)
    cost = [0.0] + [math.inf] * (len(nodes) - 1)
    before = [0] * len(nodes)
    for end in range(1, len(nodes)):
        for start in range(end):
            whole = cost[start] + _PER_ZONE + _line(sums, nodes[start], nodes[end])[1] / variance
            if whole < cost[end]:
                cost[end], before[end] = whole, start
    ends = [len(nodes) - 1]
    while ends[0]:
        ends.insert(0, before[ends[0]])
    found = []
    for start, end in pairwise(nodes[each] for each in ends):
        slope, _, spread = _line(sums, start, end)
        error = math.sqrt(variance / spread) if spread > 0.0 else math.inf
        found.append(Zone(levels_m[start], levels_m[end], slope, error))
    return tuple(found)


def _nodes(levels_m: Sequence[float]) -> list[int]:
    step = (levels_m[-1] - levels_m[0]) / _NODES
    found = [0]
    for row in range(1, len(levels_m) - 1):
        if levels_m[row] - levels_m[found[-1]] >= step:
            found.append(row)
    return [*found, len(levels_m) - 1]


_Sums = tuple[list[float], list[float], list[float], list[float], list[float], list[float]]


def _sums(x: Sequence[float], y: Sequence[float]) -> _Sums:
    """Running sums of 1, x, y, xx, xy and yy, about the middle of both."""
    mx, my = 0.5 * (x[0] + x[-1]), 0.5 * (y[0] + y[-1])
    found: _Sums = ([0.0], [0.0], [0.0], [0.0], [0.0], [0.0])
    for a, b in zip(x, y, strict=True):
        u, v = a - mx, b - my
        for total, term in zip(found, (1.0, u, v, u * u, u * v, v * v), strict=True):
            total.append(total[-1] + term)
    return found


def _line(sums: _Sums, first: int, last: int) -> tuple[float, float, float]:
    """(slope, sum of squared errors, sum of squared distances in x) of the least-squares line through the rows."""
    n, sx, sy, sxx, sxy, syy = (total[last + 1] - total[first] for total in sums)
    xx, xy, yy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
    if xx <= 0.0:
        return 0.0, 0.0, 0.0
    return xy / xx, max(0.0, yy - xy * xy / xx), xx


class _Group:
    """Zones one above the other whose surfaces suit one another."""

    def __init__(self, zone: Zone) -> None:
        self.zones = [zone]

    @property
    def height_m(self) -> float:
        return math.fsum(zone.height_m for zone in self.zones)

    @property
    def slope(self) -> float:
        return math.fsum(zone.slope * zone.height_m for zone in self.zones) / self.height_m


def odd_zones(found: Sequence[Zone], shortest_m: float) -> tuple[OddZone, ...]:
    """Zones of some height whose surface jumps against the next ones', grouped where several are alike.

    Of the two on either side of a jump the one that is further from the tank's usual surface is named.
    """
    sure = [zone for zone in found if _is_sure(zone) and zone.height_m > _BETWEEN * shortest_m]
    if not sure:
        return ()
    lowest, highest = found[0].from_m, found[-1].to_m

    def short_by(group: _Group) -> float:
        needed = shortest_m
        if group.zones[0].from_m < lowest + _BOTTOM_M:
            needed *= _AT_BOTTOM
        elif group.zones[-1].to_m >= highest:
            needed *= _AT_TOP
        return needed - group.height_m

    groups = _joined([_Group(zone) for zone in sure])
    while len(groups) > 1:
        shortest = max(groups, key=short_by)
        if short_by(shortest) <= 0.0:
            break
        groups.remove(shortest)
        groups = _joined(groups)
    usual = usual_slope([zone for group in groups for zone in group.zones])
    odd: dict[float, OddZone] = {}
    for below, above in pairwise(groups):
        down, up = below.zones[::-1], above.zones
        run = max((down, up), key=lambda each: abs(each[0].slope / usual - 1.0))
        sign = math.copysign(1.0, run[0].slope - usual)
        alike = _Group(run[0])
        for zone in run[1:]:
            if sign * (zone.slope / usual - 1.0) < 0.5 * _JUMP:
                break
            alike.zones.append(zone)
        from_m = min(zone.from_m for zone in alike.zones)
        odd[from_m] = OddZone(from_m, max(zone.to_m for zone in alike.zones), alike.slope / usual - 1.0)
    return tuple(odd[from_m] for from_m in sorted(odd))


def _joined(groups: Sequence[_Group]) -> list[_Group]:
    """Groups that suit the one below them become one with it."""
    found = [groups[0]]
    for group in groups[1:]:
        below, above = found[-1].zones[-1], group.zones[0]
        mean = 0.5 * (below.slope + above.slope)
        if abs(above.slope - below.slope) <= _JUMP * mean + _SURE * math.hypot(below.error, above.error):
            found[-1].zones += group.zones
        else:
            found.append(group)
    return found


def usual_slope(found: Sequence[Zone]) -> float:
    """Median of the slopes that are known well, each counted by the height of its zone; 0 where there is none."""
    ordered = sorted((zone.slope, zone.height_m) for zone in found if _is_sure(zone))
    half = 0.5 * math.fsum(height for _, height in ordered)
    passed = 0.0
    for slope, height in ordered:
        passed += height
        if passed >= half:
            return slope
    return 0.0


def even_part(found: Sequence[Zone]) -> float:
    """Part of the height over which slopes lie within 3 % of one of them: most of it in an upright shell."""
    whole = math.fsum(zone.height_m for zone in found)
    return (
        max(
            math.fsum(other.height_m for other in found if abs(other.slope - zone.slope) <= _EVEN * zone.slope)
            for zone in found
        )
        / whole
    )


def _is_sure(zone: Zone) -> bool:
    return zone.slope > 0.0 and zone.error < _VAGUE * zone.slope
