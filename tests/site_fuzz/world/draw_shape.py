"""Random tanks: shapes as they are built, sizes from a drum on legs to the largest of a terminal."""

from dataclasses import replace

from tests.site_fuzz.tanks import End, Piece, Shape
from tests.site_fuzz.world.dice import Dice

__all__ = ["SHAPES", "draw_shape"]

SHAPES = ("upright_cylinder", "lying_cylinder", "sphere", "rectangular", "standing_vessel")
_BOTTOMS = ("sloped", "cone_up", "cone_down", "dished", "hemispherical", "ellipsoidal", "torispherical")
_WITH_DEPTH = ("sloped", "cone_up", "cone_down", "cone", "dished")


def draw_shape(dice: Dice, kind: str) -> Shape:
    match kind:
        case "upright_cylinder":
            shape = _upright(dice)
        case "standing_vessel":
            diameter = dice.number(1.2, 6.0, 3)
            shape = Shape(
                kind,
                diameter,
                dice.number(2.0, 14.0, 3),
                bottom=_end(dice, dice.choice(("flat", *_BOTTOMS)), diameter),
                top=_end(
                    dice, dice.one("flat", "cone", "dished", "hemispherical", "ellipsoidal", "torispherical"), diameter
                ),
            )
        case "lying_cylinder":
            shape = _lying(dice)
        case "sphere":
            shape = Shape(kind, diameter=dice.number(4.0, 24.0, 3))
        case _:
            shape = Shape(
                kind,
                height=dice.number(2.0, 12.0, 3),
                length=dice.number(2.0, 30.0, 3),
                width=dice.number(2.0, 20.0, 3),
            )
    return shape


def _upright(dice: Dice) -> Shape:
    diameter, height = dice.number(2.5, 60.0, 3), dice.number(4.0, 22.0, 3)
    kind = "flat" if dice.chance(0.5) else dice.choice(_BOTTOMS)
    bottom = _end(dice, kind, diameter)
    # What lies deeper than a man is a vessel, and no tank: of a wide one the floor is nearly flat.
    bottom = replace(bottom, depth=round(min(bottom.depth, 0.2 * height), 3))
    if bottom.kind not in ("flat", *_WITH_DEPTH) and diameter > 8.0:
        bottom = End()
    datum = dice.number(0.005, 0.2, 3) if dice.chance(0.2) else 0.0
    heel = dice.number(0.05, 6.0, 2) if dice.chance(0.15) else 0.0
    shape = Shape("upright_cylinder", diameter, height, bottom=bottom, datum=datum, heel=heel)
    if not dice.chance(0.3):
        return shape
    room = 0.25 * 3.14 * diameter**2
    # Above any floor: in the tip of a cone there is no room for it.
    foot = 0.0 if bottom.kind == "flat" else round(bottom.depth + 0.1, 3)
    pieces = [Piece(dice.number(0.01, 0.02, 3) * room, foot, round(height - datum - 0.2, 3))]
    if dice.chance(0.4):
        low = dice.number(0.5, 1.0, 3)
        pieces.append(Piece(-dice.number(0.001, 0.01, 4) * room, low, low + 0.6))
    rounded = tuple(Piece(round(each.volume, 3), each.lowest, round(each.highest, 3)) for each in pieces)
    return Shape("upright_cylinder", diameter, height, bottom=bottom, datum=datum, heel=heel, deadwood=rounded)


def _end(dice: Dice, kind: str, diameter: float) -> End:
    if kind in _WITH_DEPTH:
        return End(kind, round(max(0.02, diameter * dice.uniform(0.005, 0.08)), 3))
    if kind == "torispherical" and dice.chance(0.4):
        return End(kind, crown=dice.number(0.8, 1.0, 2), knuckle=dice.number(0.06, 0.15, 3))
    return End(kind)


def _lying(dice: Dice) -> Shape:
    diameter, length = dice.number(1.2, 4.5, 3), dice.number(3.0, 30.0, 3)
    head = _end(dice, dice.one("flat", "hemispherical", "ellipsoidal", "torispherical"), diameter)
    if not dice.chance(0.3):
        return Shape("lying_cylinder", diameter, length, head=head)
    slope = round(dice.uniform(0.002, 0.03), 4)
    gauge = dice.number(0.0, length, 3)
    # A wedge of the high end that is never measured is to stay small: nobody gauges such a vessel at its low end.
    if slope * (length - gauge) > 0.25 * diameter:
        slope = 0.001
    return Shape("lying_cylinder", diameter, length, head=head, slope=slope, gauge=gauge)
