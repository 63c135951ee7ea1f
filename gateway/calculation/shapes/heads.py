"""Heads (end closures) of vessels as bodies of revolution, and the volume they add to a level lying cylinder.

Lengths here are in units of the inside diameter, volumes of its cube: a head's proportions do not depend on its size.
"""

import math
from collections.abc import Callable
from enum import StrEnum
from functools import lru_cache

from gateway.calculation.shapes.fit import fit_piecewise, integrate
from gateway.errors import SettingsError

__all__ = ["Head", "TorisphericalProfile", "head_depth", "level_heads_volume", "segment_area", "torispherical_profile"]


class Head(StrEnum):
    """Shape of a vessel's end."""

    FLAT = "flat"
    HEMISPHERICAL = "hemispherical"
    ELLIPSOIDAL = "ellipsoidal"
    """Semi-ellipsoidal 2:1: depth one quarter of the diameter."""
    TORISPHERICAL = "torispherical"
    """A spherical crown of radius f D and a knuckle of radius k D; f = 1, k = 0.06 unless said otherwise."""


def segment_area(radius: float, depth: float) -> float:
    """Area of the part of a circle below a chord `depth` above its lowest point; clamped to empty and full."""
    if depth <= 0.0:
        return 0.0
    if depth >= 2.0 * radius:
        return math.pi * radius * radius
    angle = 4.0 * math.asin(math.sqrt(0.5 * depth / radius))
    if angle > 0.5:
        return 0.5 * radius * radius * (angle - math.sin(angle))
    # angle - sin(angle) by its series, where the difference would lose digits.
    square = angle * angle
    series = 1.0 - square / 20.0 * (1.0 - square / 42.0 * (1.0 - square / 72.0 * (1.0 - square / 110.0)))
    return radius * radius * square * angle / 12.0 * series


class TorisphericalProfile:
    """Radius against distance from the tangent line for crown ratio f and knuckle ratio k, on diameter 1.

    The crown's sphere touches the knuckle's torus where both have the same slope (ASME BPVC VIII-1 UG-32 proportions).
    Raises SettingsError unless 0.01 <= k < 0.5 <= f <= 2.
    """

    __slots__ = ("crown_centre", "crown_ratio", "depth", "joint_angle", "joint_radius", "joint_x", "knuckle_ratio")

    def __init__(self, crown_ratio: float, knuckle_ratio: float) -> None:
        if not (0.01 <= knuckle_ratio < 0.5 <= crown_ratio <= 2.0):
            raise SettingsError(
                (
                    f"torispherical head: crown ratio {crown_ratio:.7g} and knuckle ratio {knuckle_ratio:.7g}; "
                    "the crown ratio must be 0.5 to 2, the knuckle ratio 0.01 or more and below 0.5",
                )
            )
        self.crown_ratio = crown_ratio
        self.knuckle_ratio = knuckle_ratio
        sine = (0.5 - knuckle_ratio) / (crown_ratio - knuckle_ratio)
        self.joint_angle = math.pi / 2 - math.asin(sine)
        """From the equator of the knuckle to the joint, in radians."""
        self.crown_centre = -(crown_ratio - knuckle_ratio) * math.cos(math.asin(sine))
        self.depth = self.crown_centre + crown_ratio
        self.joint_x = knuckle_ratio * math.sin(self.joint_angle)
        self.joint_radius = 0.5 - knuckle_ratio + knuckle_ratio * math.cos(self.joint_angle)


@lru_cache(maxsize=16)
def torispherical_profile(crown_ratio: float, knuckle_ratio: float) -> TorisphericalProfile:
    """The profile, worked out once for each pair of ratios."""
    return TorisphericalProfile(crown_ratio, knuckle_ratio)


def head_depth(head: Head, crown_ratio: float, knuckle_ratio: float) -> float:
    """Distance from the tangent line to the apex, in diameters."""
    match head:
        case Head.FLAT:
            return 0.0
        case Head.HEMISPHERICAL:
            return 0.5
        case Head.ELLIPSOIDAL:
            return 0.25
        case Head.TORISPHERICAL:
            return torispherical_profile(crown_ratio, knuckle_ratio).depth


def _torispherical_pair(profile: TorisphericalProfile, level: float) -> float:
    """Volume below `level` (0 < level <= 0.5) in two torispherical ends with horizontal axis, by quadrature.

    The circles of revolution are cut at `below` under the axis. Both integrals run over an angle that takes the
    square root away at the end where the circle only just touches the surface.
    """
    below = 0.5 - level
    knuckle, crown = profile.knuckle_ratio, profile.crown_ratio
    ring = 0.5 - knuckle

    def over_knuckle(angle: float) -> float:
        # Depth of the chord over the circle's lowest point, without taking near equals from one another.
        depth = level - 2.0 * knuckle * math.sin(0.5 * angle) ** 2
        return segment_area(ring + knuckle * math.cos(angle), depth) * knuckle * math.cos(angle)

    if level < knuckle:
        widest = 2.0 * math.asin(math.sqrt(0.5 * level / knuckle))
        last = math.pi / 2 if widest <= profile.joint_angle else math.asin(profile.joint_angle / widest)

        def over_turn(turn: float) -> float:
            return over_knuckle(widest * math.sin(turn)) * widest * math.cos(turn)

        volume = integrate(over_turn, 0.0, last)
    else:
        volume = integrate(over_knuckle, 0.0, profile.joint_angle)
    if below < profile.joint_radius:
        reach = math.sqrt(crown * crown - below * below)

        def over_crown(turn: float) -> float:
            radius = math.hypot(below, reach * math.cos(turn))
            return segment_area(radius, radius - below) * reach * math.cos(turn)

        first = profile.joint_x - profile.crown_centre
        volume += integrate(over_crown, math.asin(min(1.0, first / reach)), math.pi / 2)
    return 2.0 * volume


@lru_cache(maxsize=16)
def level_heads_volume(head: Head, crown_ratio: float, knuckle_ratio: float) -> Callable[[float], float]:
    """Volume of both ends of a level lying cylinder against level, for levels 0..1 in diameters.

    Hemispheres and semi-ellipsoids: pi a h^2 (1 - h/(3 R)), a sphere's cap stretched along the axis. Torispherical
    ends: fitted to quadrature within 1e-12; the upper half by symmetry.
    """
    if head is Head.FLAT:
        return lambda _level: 0.0
    if head is not Head.TORISPHERICAL:
        stretched = math.pi * head_depth(head, crown_ratio, knuckle_ratio)
        return lambda level: stretched * level * level * (1.0 - level / 1.5)

    profile = torispherical_profile(crown_ratio, knuckle_ratio)

    def per_square(level: float) -> float:
        # The volume rises with the square of a small level; the quotient is smooth down to zero.
        level = max(level, 1e-9)
        return _torispherical_pair(profile, level) / (level * level)

    joints = sorted({0.5 - profile.joint_radius, profile.knuckle_ratio})
    inside = [joint for joint in joints if 1e-6 < joint < 0.5 - 1e-6]
    fitted = fit_piecewise(per_square, [0.0, *inside, 0.5], 1e-12)
    full = 2.0 * fitted(0.5) * 0.25

    def volume(level: float) -> float:
        if level <= 0.5:
            return fitted(level) * level * level
        above = 1.0 - level
        return full - fitted(above) * above * above

    return volume
