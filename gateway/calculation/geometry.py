"""Volume against level from a tank's shape. Every shape is a `Capacity` (gateway/calculation/contracts.py)."""

from gateway.calculation.geometry_cylinders import LyingCylinder, UprightCylinder
from gateway.calculation.geometry_heads import Head

__all__ = ["Head", "LyingCylinder", "UprightCylinder"]
