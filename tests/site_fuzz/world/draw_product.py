"""Random products: every method and every group there is, with figures as a laboratory or a contract states them."""

from collections.abc import Callable

from tests.site_fuzz.products import (
    Coefficient,
    Ethanol,
    LitreWeight,
    LitreWeights,
    Lpg,
    Method,
    Petroleum1980,
    Petroleum2004,
    Points,
    Product,
    Solution,
    StraightLine,
    WaterItself,
)
from tests.site_fuzz.world.dice import Dice

__all__ = ["KINDS", "draw_product"]

_60F_C = 28.0 / 1.8
Drawn = tuple[Method, float, float, float]
"""Method, coldest and hottest temperature of its tanks, typical density."""

# kg/m3 at reference: within each sub-group, and the borders themselves.
_REFINED = {
    "gasoline": (680.0, 768.0),
    "transition": (772.0, 786.0),
    "jet": (789.0, 836.0),
    "fuel_oil": (842.0, 1010.0),
}


def _refined(name: str) -> Callable[[Dice], Drawn]:
    def draw(dice: Dice) -> Drawn:
        density = dice.number(*_REFINED[name], 1)
        hottest = 45.0 if density < 760.0 else 90.0
        reference = dice.one(15.0, 20.0, _60F_C)
        if dice.chance(0.15):
            # Exactly at a border, where the upper sub-group begins.
            density, reference = dice.one(770.352, 787.5195, 838.3127), _60F_C
        return Petroleum2004("refined", reference), -20.0, hottest, density

    return draw


def _crude(dice: Dice) -> Drawn:
    return Petroleum2004("crude", dice.one(15.0, 20.0, _60F_C)), -10.0, 80.0, dice.number(740.0, 1010.0, 1)


def _lube(dice: Dice) -> Drawn:
    return Petroleum2004("lubricating", dice.one(15.0, 20.0, _60F_C)), 5.0, 95.0, dice.number(830.0, 960.0, 1)


def _special(dice: Dice) -> Drawn:
    alpha = round(dice.uniform(235e-6, 900e-6), 7)
    return Petroleum2004("special", dice.one(15.0, 20.0, _60F_C), alpha), -20.0, 70.0, dice.number(640.0, 1100.0, 1)


_OF_1980 = {
    "crude": ("crude", 760.0, 1000.0),
    "gasoline": ("refined", 700.0, 768.0),
    "transition": ("refined", 772.0, 786.0),
    "jet": ("refined", 789.0, 837.0),
    "fuel_oil": ("refined", 840.0, 1000.0),
    "lubricating": ("lubricating", 820.0, 980.0),
    "special": ("special", 650.0, 1000.0),
}


def _tables_1980(name: str) -> Callable[[Dice], Drawn]:
    group, low, high = _OF_1980[name]

    def draw(dice: Dice) -> Drawn:
        alpha = round(dice.uniform(490e-6, 1600e-6), 6) if group == "special" else None
        table = dice.one(6, 24, 54, 60)
        cold = dice.chance(0.3)
        # Off the halves of the table's own steps, where two neighbouring rows are equally near.
        density = dice.number(low, high, 1) + 0.0137
        return Petroleum1980(group, table, alpha, cold), -30.0 if cold else -15.0, 85.0, round(density, 4)

    return draw


def _lpg(name: str) -> Callable[[Dice], Drawn]:
    ranges = {"propane": (500.0, 512.0), "butane": (560.0, 588.0), "mixture": (515.0, 555.0), "ngl": (600.0, 680.0)}

    def draw(dice: Dice) -> Drawn:
        return Lpg(dice.one(15.0, 20.0, _60F_C)), -20.0, 45.0, dice.number(*ranges[name], 1)

    return draw


def _coefficient(dice: Dice) -> Drawn:
    reference = dice.one(15.0, 20.0, 25.0, 40.0)
    stated = dice.chance(0.6)
    low, high = (round(reference - dice.uniform(10.0, 60.0)), round(reference + dice.uniform(20.0, 100.0)))
    alpha = round(dice.uniform(3e-4, 1.6e-3), 6)
    method = Coefficient(alpha, reference, float(low) if stated else None, float(high) if stated else None)
    coldest, hottest = max(low, reference - 48.0), min(high, reference + 48.0)
    if not stated and dice.chance(0.3):
        # Where no range is stated, 50 degC from its reference the coefficient is no more than a guess.
        hottest = reference + 70.0
    return method, float(coldest), float(hottest), dice.number(600.0, 1600.0, 1)


def _line(dice: Dice) -> Drawn:
    at = dice.one(15.0, 20.0, 50.0)
    low, high = round(at - dice.uniform(10.0, 25.0)), round(at + dice.uniform(15.0, 60.0))
    density, slope = dice.number(780.0, 1840.0, 1), -dice.number(0.4, 1.3, 2)
    reference = dice.one(None, None, at, 20.0 if low <= 20.0 <= high else at)
    return StraightLine(density, at, slope, float(low), float(high), reference), float(low), float(high), density


def _points(cubic: bool) -> Callable[[Dice], Drawn]:
    def draw(dice: Dice) -> Drawn:
        temperatures = [float(dice.randint(-10, 20))]
        densities = [dice.number(800.0, 1500.0, 1)]
        for _ in range(dice.randint(2, 5)):
            step = float(dice.randint(5, 25))
            temperatures.append(temperatures[-1] + step)
            densities.append(round(densities[-1] - step * dice.uniform(0.5, 1.1), 1))
        reference = dice.one(None, temperatures[1], 0.5 * (temperatures[0] + temperatures[1]))
        method = Points(tuple(temperatures), tuple(densities), cubic, reference)
        return method, temperatures[0], temperatures[-1], densities[1]

    return draw


def _solution(fixed: bool) -> Callable[[Dice], Drawn]:
    def draw(dice: Dice) -> Drawn:
        temperatures = tuple(float(10 * i) for i in range(dice.randint(3, 6)))
        first = dice.number(0.05, 0.3, 2)
        fractions = tuple(round(first + 0.05 * i, 2) for i in range(dice.randint(2, 5)))
        at_zero = dice.number(1050.0, 1300.0, 1)
        rows = []
        for i, _ in enumerate(fractions):
            slope = dice.uniform(0.4, 0.7)
            rows.append(tuple(round(at_zero + 48.0 * i - slope * each, 1) for each in temperatures))
        fraction = round(dice.uniform(fractions[0], fractions[-1]), 3) if fixed else None
        reference = temperatures[1] if not fixed else dice.one(None, temperatures[1])
        method = Solution(fractions, temperatures, tuple(rows), fraction, reference)
        # Between the columns of the reference temperature there is a density for each strength.
        share = dice.uniform(0.2, 0.8)
        density = rows[0][1] + share * (rows[-1][1] - rows[0][1])
        return method, temperatures[0], temperatures[-1], round(density, 1)

    return draw


def _ethanol(how: str) -> Callable[[Dice], Drawn]:
    def draw(dice: Dice) -> Drawn:
        # Weak spirit freezes within the range of the formula.
        strongest = 0.97 if how == "by_density" else 1.0
        strength = dice.number(0.35, strongest, 3) if dice.chance(0.8) else dice.number(0.04, 0.3, 3)
        mass = strength if how == "by_mass" else None
        volume = strength if how == "by_volume" else None
        density = round(998.2 - 190.0 * strength - 15.0 * strength**2, 1)
        return Ethanol(mass, volume, dice.one(20.0, 20.0, 15.0)), -5.0, 40.0, density

    return draw


def _water(dice: Dice) -> Drawn:
    equation = dice.one("tanaka", "kell")
    reference = dice.one(None, 15.0, 20.0)
    return WaterItself(equation, reference), 2.0, 39.0 if equation == "tanaka" else 95.0, 998.0


def _oil_moved(dice: Dice) -> Drawn:
    at, span = dice.one(40.0, 50.0, 60.0), dice.one(5.0, 5.0, 8.0)
    weight, slope = dice.number(870.0, 910.0, 1), -dice.one(0.68, 0.68, 0.67, 0.72)
    return LitreWeight(weight, at, slope, span), at - span, at + span, weight


def _oil_table(dice: Dice) -> Drawn:
    temperatures = [float(dice.randint(20, 40))]
    weights = [dice.number(890.0, 915.0, 1)]
    for _ in range(dice.randint(2, 5)):
        temperatures.append(temperatures[-1] + 5.0)
        weights.append(round(weights[-1] - 3.4 + dice.uniform(-0.1, 0.1), 1))
    method = LitreWeights(tuple(temperatures), tuple(weights), dice.chance(0.3))
    return method, temperatures[0], temperatures[-1], weights[0]


KINDS: dict[str, Callable[[Dice], Drawn]] = {
    "2004 crude": _crude,
    **{f"2004 {name}": _refined(name) for name in _REFINED},
    "2004 lubricating": _lube,
    "2004 special": _special,
    **{f"1980 {name}": _tables_1980(name) for name in _OF_1980},
    **{f"lpg {name}": _lpg(name) for name in ("propane", "butane", "mixture", "ngl")},
    "coefficient": _coefficient,
    "straight line": _line,
    "points": _points(cubic=False),
    "points, cubic": _points(cubic=True),
    "solution": _solution(fixed=True),
    "solution by density": _solution(fixed=False),
    "ethanol by mass": _ethanol("by_mass"),
    "ethanol by volume": _ethanol("by_volume"),
    "ethanol by density": _ethanol("by_density"),
    "water": _water,
    "fatty oil": _oil_moved,
    "fatty oil table": _oil_table,
}


def draw_product(dice: Dice, kind: str) -> Product:
    method, coldest, hottest, density = KINDS[kind](dice)
    convention = dice.weighted(("buoyancy", "density_reduction", "table_56"), (6, 1, 1))
    own_air = convention == "buoyancy" and dice.chance(0.2)
    steps = isinstance(method, Petroleum2004 | Petroleum1980 | Lpg)
    dissolved = isinstance(method, StraightLine | Points) and density > 1000.0 and dice.chance(0.4)
    return Product(
        kind=kind,
        method=method,
        convention=convention,
        air_density=dice.number(1.1, 1.3, 3) if own_air else 1.2,
        weights_density=dice.one(8000.0, 7950.0) if own_air else 8000.0,
        rounded=steps and dice.chance(0.2),
        solute_fraction=dice.number(0.1, 0.9, 3) if dissolved else None,
        coldest_c=coldest,
        hottest_c=hottest,
        typical_density=density,
    )
