"""The full capacity of a tank: all that is inside, also above the highest level that can be measured."""

import math

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes.datum import WithDatum
from gateway.calculation.shapes.deadwood import WithDeadwood
from gateway.calculation.shapes.tilted import TiltedCylinder

__all__ = ["whole_volume"]


def whole_volume(capacity: Capacity) -> float:
    """m3 of the tank when it is brim-full, heel included.

    A sloping cylinder holds more than at its top level: a wedge of its high end stands above what the gauge can tell.
    Of any other shape, and of a capacity table, the highest level is all that there is.
    """
    match capacity:
        case TiltedCylinder():
            return capacity.whole_m3
        case WithDatum():
            return capacity.sump_m3 + whole_volume(capacity.shape)
        case WithDeadwood():
            return whole_volume(capacity.shape) - math.fsum([piece.below(math.inf) for piece in capacity.pieces])
        case _:
            return capacity.volume(capacity.top_m)
