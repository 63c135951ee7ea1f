"""Volume against level from a tank's shape. Every shape is a `Capacity` (gateway/calculation/contracts.py)."""

from gateway.calculation.geometry_cylinders import LyingCylinder, UprightCylinder
from gateway.calculation.geometry_deadwood import Deadwood, WithDeadwood
from gateway.calculation.geometry_ends import End, EndKind
from gateway.calculation.geometry_heads import Head
from gateway.calculation.geometry_solids import RectangularTank, Sphere
from gateway.calculation.geometry_tilted import TiltedCylinder
from gateway.calculation.geometry_upright import UprightVessel

__all__ = [
    "Deadwood",
    "End",
    "EndKind",
    "Head",
    "LyingCylinder",
    "RectangularTank",
    "Sphere",
    "TiltedCylinder",
    "UprightCylinder",
    "UprightVessel",
    "WithDeadwood",
]
