"""Bottoms and tops of upright vessels: the volume an end holds against the height of liquid in it.

Heights here are in m above the lowest inside point of the end. An end that bulges outwards adds its depth to the
shell's height; one that stands inside the shell (sloped, coned up) takes room from it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.shapes.heads import torispherical_profile
from gateway.calculation.shapes.limits import require_dimensions
from gateway.errors import SettingsError

__all__ = ["End", "EndKind", "PreparedEnd", "prepare_end", "wedge"]


class EndKind(StrEnum):
    """Shape of the bottom or top of an upright vessel."""

    FLAT = "flat"
    SLOPED = "sloped"
    """A plane floor, `depth_m` higher at one side of the shell than at the other."""
    CONE = "cone"
    """Pointing outwards: a bottom coned down, a coned roof."""
    CONE_UP = "cone up"
    """A bottom whose centre stands `depth_m` above its edge."""
    DISHED = "dished"
    """A cap of a sphere, `depth_m` deep, bulging outwards."""
    HEMISPHERICAL = "hemispherical"
    ELLIPSOIDAL = "ellipsoidal"
    """Semi-ellipsoidal 2:1."""
    TORISPHERICAL = "torispherical"


_WITH_DEPTH = frozenset({EndKind.SLOPED, EndKind.CONE, EndKind.CONE_UP, EndKind.DISHED})
_INSIDE_SHELL = frozenset({EndKind.SLOPED, EndKind.CONE_UP})


@dataclass(frozen=True, slots=True)
class End:
    """An end of an upright vessel. `depth_m` for sloped, coned and dished ends; the others follow from the diameter."""

    kind: EndKind = EndKind.FLAT
    depth_m: float = 0.0
    crown_ratio: float = 1.0
    """Radius of a torispherical crown over the diameter."""
    knuckle_ratio: float = 0.06


class PreparedEnd(NamedTuple):
    """An end on a shell of known diameter."""

    depth_m: float
    full_m3: float
    inside_shell: bool
    volume: Callable[[float], float]
    """m3 at a height of 0..depth_m. The caller keeps to that range."""


def wedge(angle: float) -> float:
    """sin a - a cos a - sin^3 a / 3: the volume under a plane in a cylinder's wedge (cylindrical ungula), on radius 1.

    `angle` 0..pi is half the angle under which the wetted arc is seen; multiplied by R^3 over the plane's slope.
    """
    sine = math.sin(angle)
    return max(0.0, sine - angle * math.cos(angle) - sine * sine * sine / 3.0)


def prepare_end(end: End, diameter_m: float, what: str) -> PreparedEnd:
    """The end's volume function. `what` names it in the SettingsError for dimensions that cannot be."""
    radius = 0.5 * diameter_m
    area = math.pi * radius * radius
    if end.kind in _WITH_DEPTH:
        require_dimensions(what, {f"depth in m of the {end.kind.value} end": end.depth_m})
    elif end.depth_m != 0.0:
        text = f"{what}: the {end.kind.value} end takes no depth; it follows from the diameter"
        raise SettingsError((text,))
    depth, volume = _volume(end, diameter_m, radius, area, what)
    return PreparedEnd(depth, volume(depth), end.kind in _INSIDE_SHELL, volume)


def _volume(end: End, diameter: float, radius: float, area: float, what: str) -> tuple[float, Callable[[float], float]]:
    depth = end.depth_m
    match end.kind:
        case EndKind.FLAT:
            return 0.0, lambda _height: 0.0
        case EndKind.SLOPED:
            return depth, lambda height: _sloped(height, depth, radius)
        case EndKind.CONE:
            return depth, lambda height: area * height**3 / (3.0 * depth * depth)
        case EndKind.CONE_UP:
            return depth, lambda height: area * height * height / depth * (1.0 - height / (3.0 * depth))
        case EndKind.DISHED:
            if depth > radius:
                text = f"{what}: dished end {depth:.7g} m deep; at most half the diameter, {radius:.7g} m"
                raise SettingsError((text,))
            sphere = (radius * radius + depth * depth) / (2.0 * depth)
            return depth, lambda height: math.pi * height * height * (sphere - height / 3.0)
        case EndKind.HEMISPHERICAL | EndKind.ELLIPSOIDAL:
            depth = radius if end.kind is EndKind.HEMISPHERICAL else 0.5 * radius
            return depth, lambda height: area * height * height / (depth * depth) * (depth - height / 3.0)
        case EndKind.TORISPHERICAL:
            return _torispherical(end, diameter)


def _sloped(height: float, depth: float, radius: float) -> float:
    # The floor leaves the surface R (2 h / a - 1) from the axis; its slope is a / D.
    angle = 2.0 * math.asin(math.sqrt(min(1.0, max(0.0, height / depth))))
    return 0.5 * depth * radius * radius * wedge(angle)


def _torispherical(end: End, diameter: float) -> tuple[float, Callable[[float], float]]:
    """Crown: a cap of its sphere. Knuckle: pi times the integral of r^2 with r = (R - k) + sqrt(k^2 - x^2)."""
    profile = torispherical_profile(end.crown_ratio, end.knuckle_ratio)
    depth = profile.depth * diameter
    crown, knuckle = profile.crown_ratio * diameter, profile.knuckle_ratio * diameter
    ring = 0.5 * diameter - knuckle
    joint = profile.joint_x * diameter
    crown_depth = depth - joint

    def below(distance: float) -> float:
        """Antiderivative of r^2 over the distance from the tangent line."""
        root = math.sqrt(max(0.0, knuckle * knuckle - distance * distance))
        arc = distance * root + knuckle * knuckle * math.asin(min(1.0, distance / knuckle))
        return distance * (ring * ring + knuckle * knuckle - distance * distance / 3.0) + ring * arc

    crown_volume = math.pi * crown_depth * crown_depth * (crown - crown_depth / 3.0)
    at_joint = below(joint)

    def volume(height: float) -> float:
        if height <= crown_depth:
            return math.pi * height * height * (crown - height / 3.0)
        return crown_volume + math.pi * (at_joint - below(max(0.0, depth - height)))

    return depth, volume
