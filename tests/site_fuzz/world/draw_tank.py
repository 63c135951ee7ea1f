"""Random tanks: a shape, a product that is stored in such a one, and what a site would fit to it."""

import math
from dataclasses import replace

from tests.site_fuzz.oracle.geometry import height_of, volumes_of
from tests.site_fuzz.oracle.methods import needs_density
from tests.site_fuzz.oracle.volumes import heel_of
from tests.site_fuzz.products import Coefficient, Lpg, Petroleum1980, Petroleum2004, Product
from tests.site_fuzz.tanks import (
    Density,
    Element,
    Gauge,
    Hybrid,
    LiquidHead,
    Roof,
    Shape,
    Shell,
    Signal,
    Tank,
    Vapour,
)
from tests.site_fuzz.world.dice import Dice
from tests.site_fuzz.world.draw_product import draw_product
from tests.site_fuzz.world.draw_shape import draw_shape
from tests.site_fuzz.world.draw_table import draw_table
from tests.site_fuzz.world.signals import level_signal, pressure_signal, temperature_signal, water_signal

__all__ = ["draw_tank"]

_60F_C = 28.0 / 1.8
# API MPMS 12.1.1: 6.20e-6 and 9.60e-6 per degF.
_METALS = {"carbon steel": 1.8 * 6.20e-6, "304 stainless steel": 1.8 * 9.60e-6}


def draw_tank(dice: Dice, tag: str, product_kind: str, shape_kind: str, gravity: float) -> Tank:
    product = draw_product(dice, product_kind)
    liquefied = isinstance(product.method, Lpg)
    if liquefied and shape_kind in ("upright_cylinder", "rectangular"):
        shape_kind = dice.one("lying_cylinder", "sphere")
    shape = draw_shape(dice, shape_kind)
    top = height_of(shape) - shape.datum
    tank = Tank(
        tag=tag,
        shape=shape,
        table=None,
        top=top,
        bottom=0.0,
        reference_height=_reference_height(dice, shape, top),
        product=product,
        density=_density(dice, product),
        gauge=Gauge("innage", Signal("level", "m", "float32")),
        gravity=gravity,
    )
    tank = _with_levels(dice, tank, liquefied)
    tank = _with_thermometer(dice, tank)
    tank = _with_water(dice, tank, liquefied)
    tank = _with_vapour(dice, tank, liquefied)
    if shape_kind in ("upright_cylinder", "rectangular"):
        tank = _with_shell(dice, tank)
    if shape_kind == "upright_cylinder":
        tank = _with_roof(dice, tank)
    tank = _with_hybrid(dice, tank, liquefied)
    tank = _with_limits(dice, tank)
    if product.kind in ("2004 crude", "1980 crude") and dice.chance(0.5):
        tank = replace(tank, sediment=dice.number(0.0, 0.02, 4))
    if dice.chance(0.3):
        tank = draw_table(dice, tank)
    if heel_of(tank) > 0.001 and dice.chance(0.85):
        tank = replace(tank, heel_holds="product" if tank.water == "none" else dice.one("water", "product"))
    return tank


def _reference_height(dice: Dice, shape: Shape, top: float) -> float:
    """Of vessels often the top itself, where that is a decimal number."""
    if round(top, 3) == top and dice.chance(0.5):
        return top
    return math.ceil((top + dice.uniform(0.0, 1.0)) * 1000.0) / 1000.0


def _density(dice: Dice, product: Product) -> Density | None:
    if not needs_density(product):
        return None
    value = product.typical_density
    how = dice.weighted(("product", "tank", "sampled", "hydrometer", "observed", "undated"), (50, 22, 10, 8, 6, 4))
    by_product, dated = how == "product", how != "undated"
    if how == "observed":
        return Density(value, "tank", dated, by_product, f"{value!r} kg/m3")
    kept_warm = product.coldest_c > 19.0 or product.hottest_c < 21.0
    if how in ("sampled", "hydrometer") and not kept_warm:
        # A value near the one at reference is one that fits at 20 degC too.
        heaviest_gas = isinstance(product.method, Lpg) and value > 670.0
        at = dice.one(20.0, 25.0) if product.hottest_c > 30.0 and not heaviest_gas else 20.0
        made_for = dice.one(15.0, 15.0, 20.0, _60F_C) if how == "hydrometer" else None
        if made_for == _60F_C and dice.chance(0.5):
            value, text = _at_60f(dice, value)
            return Density(value, at, dated, by_product, text, made_for)
        return Density(value, at, dated, by_product, f"{value!r} kg/m3", made_for)
    if isinstance(product.method, Petroleum2004 | Lpg) and dice.chance(0.2):
        value, text = _at_60f(dice, value)
        return Density(value, _60F_C, dated, by_product, text)
    text = f"{round(value / 1000.0, 7)!r} kg/L" if dice.chance(0.1) else f"{value!r} kg/m3"
    return Density(value, "reference", dated, by_product, text)


def _at_60f(dice: Dice, value: float) -> tuple[float, str]:
    """In one of the units that say 60 degF by themselves, and what that is in kg/m3 (water at 60 degF 999.016)."""
    if dice.chance(0.5):
        gravity = round(141.5 * 999.016 / value - 131.5, 1)
        return 141.5 * 999.016 / (gravity + 131.5), f"{gravity!r} degAPI"
    relative = round(value / 999.016, 4)
    return relative * 999.016, f"{relative!r} SG"


def _with_levels(dice: Dice, tank: Tank, liquefied: bool) -> Tank:
    highest = tank.reference_height
    by_pressure = not liquefied and dice.chance(0.15)
    if by_pressure:
        nozzle = dice.number(0.1, min(0.5, 0.2 * tank.top), 3)
        signal = pressure_signal(dice, "head", 20_000.0 * highest + 60e3)
        return replace(tank, gauge=Gauge("pressure", signal, nozzle=nozzle))
    measures = dice.one("innage", "ullage")
    offset = dice.one(0.0, 0.0, 0.0, 0.004, -0.012)
    tank = replace(tank, gauge=Gauge(measures, level_signal(dice, measures, highest), offset))
    if dice.chance(0.15):
        second = dice.one("innage", "ullage")
        tank = replace(tank, second=Gauge(second, level_signal(dice, f"second_{second}", highest)))
    return tank


def _with_thermometer(dice: Dice, tank: Tank) -> Tank:
    """Elements no further apart than what one can speak for; a tank without thermometer has its temperature by hand."""
    if dice.chance(0.05):
        product = tank.product
        return replace(tank, manual_c=round(dice.uniform(product.coldest_c, product.hottest_c), 1))
    margin = 0.3 if tank.top > 3.0 else 0.1
    kind = dice.randint(0, 4)
    heights = [dice.number(0.2, min(1.0, 0.3 * tank.top), 2)]
    evenly = round(dice.uniform(max(0.3, tank.top / 12.0), max(0.5, min(4.0, tank.top / 2.0))), 2)
    spread = dice.chance(0.25)
    while len(heights) < 16:
        step = round(evenly * dice.uniform(0.5, 1.5), 2) if spread else evenly
        height = round(heights[-1] + max(0.2, step), 2)
        if height > tank.top - 0.05:
            break
        heights.append(height)
    elements = tuple(
        Element(height, temperature_signal(dice, f"t{index}", kind)) for index, height in enumerate(heights, start=1)
    )
    weighting = dice.one(None, None, None, "equal", "slice_volume")
    if tank.shape.kind in ("upright_cylinder", "rectangular") and dice.chance(0.2):
        weighting = "slice_height"
    return replace(tank, elements=elements, margin=margin, weighting=weighting)


def _with_water(dice: Dice, tank: Tank, liquefied: bool) -> Tank:
    kind = dice.weighted(("none", "probe", "dip"), (85, 15, 0) if liquefied else (40, 48, 12))
    if tank.product.kind in ("water", "ethanol by mass", "ethanol by volume", "ethanol by density"):
        kind = "none"
    if kind == "probe":
        return replace(tank, water="probe", probe=water_signal(dice, "water"))
    if kind == "dip":
        return replace(tank, water="dip", dip=dice.number(0.0, min(0.15, 0.02 * tank.top), 3))
    return tank


def _with_vapour(dice: Dice, tank: Tank, liquefied: bool) -> Tank:
    if liquefied:
        signal = pressure_signal(dice, "vapour", 2e6)
        atmosphere = dice.one(101_325.0, 101_325.0, 95_000.0)
        pure = {"lpg propane": "propane", "lpg butane": "n-butane"}.get(tank.product.kind)
        if pure is not None and dice.chance(0.7):
            vapour = Vapour(component=pure, atmosphere=atmosphere)
        elif dice.chance(0.7):
            vapour = Vapour(molar_mass=dice.number(0.044, 0.060, 4), z=dice.number(0.8, 0.95, 2), atmosphere=atmosphere)
        else:
            vapour = Vapour(density=dice.number(5.0, 20.0, 1))
        return replace(tank, vapour_pressure=signal, vapour=vapour)
    vessel = tank.shape.kind in ("lying_cylinder", "sphere", "standing_vessel")
    if dice.chance(0.25 if vessel else 0.04):
        petroleum = isinstance(tank.product.method, Petroleum2004)
        pressurised = petroleum and vessel and dice.chance(0.6)
        return replace(
            tank,
            vapour_pressure=pressure_signal(dice, "vapour", 500e3),
            pressurised=pressurised,
            blanketed=not pressurised and dice.chance(0.7),
        )
    return tank


def _with_shell(dice: Dice, tank: Tank) -> Tank:
    if dice.chance(0.35):
        insulated = dice.chance(0.4)
        metal = dice.one("carbon steel", "304 stainless steel", None)
        coefficient = dice.number(1.0e-5, 1.8e-5, 7) if metal is None else _METALS[metal]
        shell = Shell(coefficient, metal, dice.one(15.0, 20.0), insulated)
        ambient = None if insulated else temperature_signal(dice, "ambient", dice.randint(0, 2))
        tank = replace(tank, shell=shell, ambient=ambient)
    shape = tank.shape
    plain = shape.kind == "upright_cylinder" and shape.bottom.kind == "flat" and not shape.datum
    if plain and dice.chance(0.2):
        count = dice.randint(1, 5)
        height = math.ceil(1000.0 * tank.top / count) / 1000.0
        courses = tuple((height, round(0.006 + 0.003 * (count - i), 4)) for i in range(count))
        tank = replace(tank, head=LiquidHead(courses, dice.one(200e9, 206e9), shape.diameter))
    return tank


def _with_roof(dice: Dice, tank: Tank) -> Tank:
    if (
        tank.top < 5.0
        or tank.shape.bottom.kind not in ("flat", "sloped", "cone_up", "cone_down")
        or not dice.chance(0.3)
    ):
        return tank
    area = 0.25 * math.pi * tank.shape.diameter**2
    low = dice.number(1.0, 2.0, 3)
    high = round(low + dice.uniform(0.2, 0.5), 3)
    # It floats before all that is between its marks is pushed aside.
    volumes = volumes_of(tank)
    sinks = min(area * dice.uniform(0.05, 0.3), 0.7 * (volumes.at(high) - volumes.at(low)))
    return replace(tank, roof=Roof(max(round(tank.product.typical_density * sinks, 0), 50.0), low, high))


def _with_hybrid(dice: Dice, tank: Tank, liquefied: bool) -> Tank:
    if liquefied or tank.gauge.measures == "pressure" or tank.top < 3.0 or tank.pressurised or not dice.chance(0.15):
        return tank
    method = tank.product.method
    in_use = needs_density(tank.product) and not isinstance(method, Petroleum1980 | Coefficient) and dice.chance(0.6)
    around = dice.chance(0.5)
    hybrid = Hybrid(
        signal=pressure_signal(dice, "bottom", 20_000.0 * tank.top + 60e3),
        nozzle=dice.number(0.1, 0.6, 3),
        in_use=in_use,
        minimum_head=dice.one(1.0, 2.0) if tank.top > 5.0 else 1.0,
        difference_limit=dice.one(5.0, 10.0),
        vapour_height=tank.reference_height if around else None,
        # What stands above a vented liquid is air, as outside.
        gas_density=(1.2 if tank.vapour_pressure is None else dice.one(1.3, 1.5, 3.0)) if around else 0.0,
        air_density=1.2 if around else 0.0,
    )
    return replace(tank, hybrid=hybrid)


def _with_limits(dice: Dice, tank: Tank) -> Tank:
    low = round(tank.top * dice.uniform(0.02, 0.15), 3)
    high = round(tank.top * dice.uniform(0.85, 0.97), 3)
    if tank.roof is not None and dice.chance(0.6):
        low = round(tank.roof.high + dice.uniform(0.0, 0.3), 3)
    minimum, working = (low if dice.chance(0.9) else None), (high if dice.chance(0.9) else None)
    if dice.chance(0.7):
        full = volumes_of(tank).at(tank.top)
        flow = float(max(1, round(full / dice.uniform(6.0, 20.0))))
        return replace(tank, minimum=minimum, working=working, flow=flow / 3600.0)
    return replace(tank, minimum=minimum, working=working)
