"""Stretch of an upright shell under its liquid: section g."""

import math

from tests.site_fuzz.tanks import LiquidHead

__all__ = ["stretch"]


def stretch(head: LiquidHead, level: float, density: float, gravity: float) -> float:
    """m3 that a shell gains under `level` of liquid: dV = pi D^3 rho g/(4 E) sum ((L - z0)^2 - (L - z1)^2)/(2 t)."""
    total, foot = 0.0, 0.0
    for height, thickness in head.courses:
        if level > foot:
            total += ((level - foot) ** 2 - max(0.0, level - foot - height) ** 2) / (2.0 * thickness)
        foot += height
    return math.pi * head.diameter**3 * density * gravity / (4.0 * head.modulus) * total
