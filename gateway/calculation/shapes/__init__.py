"""Volume against level from a tank's shape. Every shape is a `Capacity` (gateway/calculation/contracts.py)."""

from gateway.calculation.shapes.cylinders import LyingCylinder, UprightCylinder
from gateway.calculation.shapes.deadwood import Deadwood, WithDeadwood
from gateway.calculation.shapes.ends import End, EndKind
from gateway.calculation.shapes.heads import Head
from gateway.calculation.shapes.solids import RectangularTank, Sphere
from gateway.calculation.shapes.tilted import TiltedCylinder
from gateway.calculation.shapes.upright import UprightVessel

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
