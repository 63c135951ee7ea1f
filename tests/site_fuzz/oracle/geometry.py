"""Volume against level by numerical integration of cross-sections: no closed form of a volume is used.

An upright vessel is cut level by level: its area at a height is a circle's, a rectangle's or, over a sloping floor, a
segment's. A lying cylinder is cut across its axis: a segment of a circle whose depth follows from the level and the
slope. The profiles of heads are those of their generating curves (ASME dimensions: a torispherical end is a sphere's
cap joined tangentially to a torus; a 2:1 end is half an ellipsoid of half the radius deep).
"""

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np

from tests.site_fuzz.oracle.quadrature import Array, integral
from tests.site_fuzz.tanks import End, Shape, Tank

__all__ = ["Volumes", "volumes_of"]


def end_depth(end: End, diameter: float) -> float:
    radius = 0.5 * diameter
    match end.kind:
        case "flat":
            return 0.0
        case "hemispherical":
            return radius
        case "ellipsoidal":
            return 0.5 * radius
        case "torispherical":
            crown, knuckle = end.crown * diameter, end.knuckle * diameter
            return crown - math.sqrt((crown - knuckle) ** 2 - (radius - knuckle) ** 2)
        case _:
            return end.depth


def joint_radius(end: End, diameter: float) -> float:
    """Where crown and knuckle of a torispherical end touch: on the line through both centres."""
    crown, knuckle, radius = end.crown * diameter, end.knuckle * diameter, 0.5 * diameter
    return crown * (radius - knuckle) / (crown - knuckle)


def end_radius(end: End, diameter: float, out: Array) -> Array:
    """Radius of an end that bulges outwards, at the distance `out` from the shell's edge."""
    radius, depth = 0.5 * diameter, end_depth(end, diameter)
    out = np.minimum(np.maximum(out, 0.0), depth)
    match end.kind:
        case "cone" | "cone_down":
            return radius * (1.0 - out / depth)
        case "dished":
            sphere = (radius**2 + depth**2) / (2.0 * depth)
            return np.sqrt(np.maximum(0.0, sphere**2 - (out + sphere - depth) ** 2))
        case "hemispherical" | "ellipsoidal":
            return radius * np.sqrt(np.maximum(0.0, 1.0 - (out / depth) ** 2))
        case "torispherical":
            crown, knuckle = end.crown * diameter, end.knuckle * diameter
            centre = depth - crown
            cap = np.sqrt(np.maximum(0.0, crown**2 - (out - centre) ** 2))
            torus = radius - knuckle + np.sqrt(np.maximum(0.0, knuckle**2 - out**2))
            return np.where(out > torispherical_joint(end, diameter), cap, torus)
        case _:
            raise AssertionError(end.kind)


def torispherical_joint(end: End, diameter: float) -> float:
    """Distance of the joint from the shell's edge."""
    crown = end.crown * diameter
    return end_depth(end, diameter) - crown + math.sqrt(crown**2 - joint_radius(end, diameter) ** 2)


def segment(radius: Array, depth: Array) -> Array:
    """Area of a circle up to `depth` above its lowest point."""
    inside = np.where(radius > 0.0, radius, 1.0)
    cosine = np.minimum(1.0, np.maximum(-1.0, 1.0 - depth / inside))
    area: Array = radius**2 * (np.arccos(cosine) - cosine * np.sqrt(np.maximum(0.0, 1.0 - cosine**2)))
    return area


class Volumes:
    """What a tank holds up to a level: the shape less its deadwood and with its sump, heights above the datum."""

    def __init__(self, shape: Shape) -> None:
        self._shape = shape
        self._bare = _lying(shape) if shape.kind == "lying_cylinder" else _upright(shape)
        self._known: dict[float, float] = {}
        self.top = height_of(shape) - shape.datum

    def at(self, level: float) -> float:
        if level not in self._known:
            shape = self._shape
            volume = shape.heel + self._bare(level + shape.datum)
            for piece in shape.deadwood:
                covered = (level - piece.lowest) / (piece.highest - piece.lowest)
                volume -= piece.volume * min(1.0, max(0.0, covered))
            self._known[level] = volume
        return self._known[level]

    @property
    def brim(self) -> float:
        """All that is inside, also above the highest level that can be measured in a sloping vessel."""
        shape = self._shape
        if shape.kind != "lying_cylinder" or not shape.slope:
            return self.at(self.top)
        beyond = shape.slope * shape.height + shape.diameter * (1.0 + shape.slope)
        return self.at(self.top + beyond)


def height_of(shape: Shape) -> float:
    """From the lowest inside point to the highest that is measured, in the way levels are."""
    match shape.kind:
        case "sphere":
            return shape.diameter
        case "rectangular":
            return shape.height
        case "lying_cylinder":
            return shape.diameter / math.hypot(1.0, shape.slope)
        case _:
            inside = 0.0 if shape.bottom.kind in ("sloped", "cone_up") else end_depth(shape.bottom, shape.diameter)
            return inside + shape.height + end_depth(shape.top, shape.diameter)


def _upright(shape: Shape) -> Callable[[float], float]:
    diameter, whole = shape.diameter, height_of(shape)
    if shape.kind == "rectangular":
        return lambda height: integral(lambda z: np.full_like(z, shape.length * shape.width), (0.0, height))
    if shape.kind == "sphere":
        return lambda height: integral(lambda z: np.pi * z * (diameter - z), (0.0, height))
    bottom, top = shape.bottom, shape.top
    low, high = end_depth(bottom, diameter), whole - end_depth(top, diameter)
    edges = [0.0, low, high, whole]
    if bottom.kind == "torispherical":
        edges.append(low - torispherical_joint(bottom, diameter))
    if top.kind == "torispherical":
        edges.append(high + torispherical_joint(top, diameter))

    def area(z: Array) -> Array:
        full = np.full_like(z, 0.25 * np.pi * diameter**2)
        if low > 0.0:
            full = np.where(z < low, _floor_area(bottom, diameter, z), full)
        if high < whole:
            full = np.where(z > high, np.pi * end_radius(top, diameter, z - high) ** 2, full)
        return full

    return lambda height: integral(area, sorted({0.0, height, *(edge for edge in edges if 0.0 < edge < height)}))


def _floor_area(bottom: End, diameter: float, z: Array) -> Array:
    """Free surface at the height `z` within the depth of the bottom."""
    depth, radius = end_depth(bottom, diameter), 0.5 * diameter
    match bottom.kind:
        case "sloped":
            return segment(np.full_like(z, radius), diameter * z / depth)
        case "cone_up":
            share: Array = np.clip(z / depth, 0.0, 1.0)
            return np.pi * radius**2 * (1.0 - (1.0 - share) ** 2)
        case _:
            return np.pi * end_radius(bottom, diameter, depth - z) ** 2


def _lying(shape: Shape) -> Callable[[float], float]:
    """The shell from one tangent line to the other, and both heads; depths are across the axis."""
    radius, slope, length = 0.5 * shape.diameter, shape.slope, shape.height
    head = end_depth(shape.head, shape.diameter)
    joint = torispherical_joint(shape.head, shape.diameter) if shape.head.kind == "torispherical" else 0.0
    outs = [0.0, joint, head] if joint else [0.0, head]

    def volume(level: float) -> float:
        middle = level * math.hypot(1.0, slope) - radius + slope * shape.gauge
        """Height of the surface above the axis at the low tangent line; it falls by the slope along the axis."""
        ends = {0.0, length}
        if slope:
            ends |= {(middle - side) / slope for side in (-radius, radius)}
        edges = sorted(edge for edge in ends if 0.0 <= edge <= length)
        held = integral(lambda x: segment(np.full_like(x, radius), middle - slope * x + radius), edges)
        if head and not slope:
            return held + 2.0 * _head(shape, outs, middle, 0.0)
        if head:
            held += _head(shape, outs, middle, slope) + _head(shape, outs, middle - slope * length, -slope)
        return held

    return volume


def _head(shape: Shape, outs: list[float], middle: float, slope: float) -> float:
    """One head: the surface stands `middle` above the axis at its edge and rises by the slope outwards."""

    def radius(out: Array) -> Array:
        return end_radius(shape.head, shape.diameter, out)

    edges = set(outs)
    edges |= _crossings(lambda out: middle + slope * out - radius(out), outs)
    edges |= _crossings(lambda out: middle + slope * out + radius(out), outs)

    def area(out: Array) -> Array:
        across = radius(out)
        return segment(across, middle + slope * out + across)

    return integral(area, sorted(edges))


def _crossings(miss: Callable[[Array], Array], edges: list[float]) -> set[float]:
    """Where the surface meets the top or the bottom of a head: between close points, then ever closer ones."""
    found: set[float] = set()
    for low, high in pairwise(edges):
        grid = low + (high - low) * _CLOSE
        beyond = miss(grid) > 0.0
        for index in np.nonzero(beyond[:-1] != beyond[1:])[0]:
            below, above = float(grid[index]), float(grid[index + 1])
            for _ in range(4):
                closer = below + (above - below) * _EVEN
                past = max(1, int(np.argmax((miss(closer) > 0.0) != beyond[index])))
                below, above = float(closer[past - 1]), float(closer[past])
            found.add(0.5 * (below + above))
    return found


_EVEN = np.linspace(0.0, 1.0, 33)
_CLOSE = 0.5 * (1.0 - np.cos(np.pi * _EVEN))
_BY_SHAPE: dict[Shape, Volumes] = {}


def volumes_of(tank: Tank | Shape) -> Volumes:
    shape = tank.shape if isinstance(tank, Tank) else tank
    if shape not in _BY_SHAPE:
        if len(_BY_SHAPE) > 64:
            _BY_SHAPE.clear()
        _BY_SHAPE[shape] = Volumes(shape)
    return _BY_SHAPE[shape]
