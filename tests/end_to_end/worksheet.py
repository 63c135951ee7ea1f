"""The demo site on paper: dimensions, products and instruments of the ten tanks, as the oracle reads them.

Written from `config/demo/wiring.md` and the description of the tanks, not from the site file; imports nothing from
`gateway` and nothing from `simulators`. The lying cylinder is the `fluids` library's.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from fluids.geometry import TANK

__all__ = ["SIXTEENTH", "TANKS", "Tank"]

FOOT = Fraction(3048, 10000)
"""Exact (NIST SP 811, Appendix B.8)."""
SIXTEENTH = FOOT / 12 / 16


@dataclass(frozen=True)
class Tank:
    """One line of the worksheet. Lengths in metres."""

    height: Fraction
    reference_height: Fraction
    elements: tuple[Fraction, ...]
    minimum: Fraction
    maximum_working: Fraction
    volume: Callable[[float], float]
    level_step: Fraction | None = None
    """Of the register of a level gauge; None where it is a float32."""
    by_ullage: bool = False
    pressure_step_pa: Fraction | None = None
    nozzle: Fraction | None = None
    temperature_step: Fraction | None = Fraction(1, 10)
    """Of the register, degC; None where it is a float32."""
    fahrenheit: bool = False
    water_step: Fraction | None = None
    """None: no water probe."""
    water_by_float: bool = False
    margin: Fraction = Fraction(30, 100)
    reference_density: float | None = None
    reference_c: float = 15.0
    expansion_per_k: float = 0.0
    slope_kg_m3_k: float | None = None
    density_at: tuple[float, float] = (0.0, 0.0)
    """(kg/m3, degC) of a straight line of density against temperature."""
    density_range_c: tuple[float, float] = (-math.inf, math.inf)
    roof: tuple[float, Fraction, Fraction] | None = None
    """Mass in kg, and the critical zone."""
    manual_c: float | None = None
    sediment_water: float | None = None
    solute: float | None = None
    vapour_density: float | None = None
    propane: float | None = None
    """Mole fraction in the liquid, the rest being n-butane; None where no pressure is judged by it."""
    second_gauge_offset: Fraction | None = None
    """How much less ullage the second gauge shows than there is."""
    by_slices: bool = False


def metres(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(each) for each in text.split())


def feet(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(each) * FOOT for each in text.split())


def upright(diameter: float, heel: float = 0.0) -> Callable[[float], float]:
    """pi D^2/4 h, and what lies below the datum."""
    return lambda level: heel + math.pi * diameter**2 / 4 * level


_BULLET = TANK(
    D=3.0,
    L=18.0,
    horizontal=True,
    sideA="ellipsoidal",
    sideB="ellipsoidal",
    sideA_a=0.75,
    sideB_a=0.75,
)

TANKS: dict[str, Tank] = {
    "TK-101": Tank(
        height=Fraction("14.6"),
        reference_height=Fraction("15.24"),
        elements=metres("1 3.5 6 8.5 11"),
        minimum=Fraction("0.9"),
        maximum_working=Fraction("13.2"),
        volume=upright(18.0),
        level_step=Fraction(1, 10000),
        by_ullage=True,
        water_step=Fraction(1, 1000),
        reference_density=838.0,
        expansion_per_k=0.000846,
    ),
    "TK-204": Tank(
        height=Fraction(15),
        reference_height=Fraction("15.8"),
        elements=metres("1 3.5 6 8.5 11"),
        minimum=Fraction("2.2"),
        maximum_working=Fraction(13),
        volume=upright(24.0),
        temperature_step=None,
        water_step=Fraction(1, 1000),
        water_by_float=True,
        reference_density=742.0,
        expansion_per_k=0.001221,
        roof=(46000.0, Fraction("1.6"), Fraction(2)),
    ),
    "J-3": Tank(
        height=Fraction(11),
        reference_height=Fraction("11.6"),
        elements=metres("1 3 5 7 9"),
        minimum=Fraction("1.1"),
        maximum_working=Fraction("9.6"),
        volume=upright(12.0, heel=4.2),
        temperature_step=None,
        water_step=Fraction(1, 1000),
        water_by_float=True,
        reference_density=802.0,
        expansion_per_k=0.000924,
    ),
    "B-2": Tank(
        height=Fraction(3),
        reference_height=Fraction(3),
        elements=metres("0.3 1.0 1.7 2.4"),
        margin=Fraction("0.10"),
        minimum=Fraction("0.25"),
        maximum_working=Fraction("2.232"),
        volume=_BULLET.V_from_h,
        temperature_step=None,
        slope_kg_m3_k=-1.2,
        density_at=(545.0, 15.0),
        density_range_c=(-10.0, 50.0),
        vapour_density=13.7,
        propane=0.60,
        by_slices=True,
    ),
    "C-7": Tank(
        height=Fraction("8.5"),
        reference_height=Fraction("8.9"),
        elements=metres("0.8 4.0"),
        minimum=Fraction("0.5"),
        maximum_working=Fraction("7.6"),
        volume=upright(8.0),
        pressure_step_pa=Fraction(10),
        nozzle=Fraction("0.3"),
        slope_kg_m3_k=-0.70,
        density_at=(1525.0, 20.0),
        density_range_c=(5.0, 60.0),
        solute=0.5,
    ),
    "P-12": Tank(
        height=Fraction("13.5"),
        reference_height=Fraction(14),
        elements=metres("0.6 2.6 4.6 6.6 8.6 10.6"),
        minimum=Fraction("0.45"),
        maximum_working=Fraction("12.3"),
        volume=upright(15.0),
        level_step=Fraction(1, 1000),
        slope_kg_m3_k=-0.67,
        density_at=(889.6, 50.0),
        density_range_c=(20.0, 75.0),
    ),
    "BO-5": Tank(
        height=Fraction(8),
        reference_height=Fraction("8.35"),
        elements=metres("0.5 2.5 4.5"),
        minimum=Fraction("0.35"),
        maximum_working=Fraction("7.2"),
        volume=upright(6.0),
        level_step=Fraction(8, 16000),  # 1 uA of the 16 mA that stand for 8 m
        reference_density=881.0,
        expansion_per_k=0.000713,
    ),
    "A-1": Tank(
        height=Fraction(5),
        reference_height=Fraction("5.2"),
        elements=metres("0.8"),
        minimum=Fraction("0.3"),
        maximum_working=Fraction("4.3"),
        volume=upright(3.2),
        pressure_step_pa=Fraction(1),  # what the transmitter resolves; its float64 would hold more
        nozzle=Fraction("0.15"),
        reference_density=925.0,
        expansion_per_k=0.000679,
        manual_c=61.2,
    ),
    "F-1": Tank(
        height=Fraction(16),
        reference_height=Fraction("16.7"),
        elements=metres("1 3.5 6 8.5 11 13.5"),
        minimum=Fraction("1.2"),
        maximum_working=Fraction("14.2"),
        volume=upright(32.0),
        level_step=Fraction(1, 10000),
        temperature_step=None,
        reference_density=985.0,
        expansion_per_k=0.000686,
        sediment_water=0.003,
    ),
    "D-1": Tank(
        height=48 * FOOT,
        reference_height=Fraction("49.5") * FOOT,
        elements=feet("3 10 17 24 31 38"),
        margin=FOOT,
        minimum=3 * FOOT,
        maximum_working=43 * FOOT,
        volume=upright(float(60 * FOOT)),
        level_step=SIXTEENTH,
        water_step=SIXTEENTH,
        fahrenheit=True,
        # 34.0 degAPI; water at 60 degF 999.016 kg/m3 (API MPMS 11.1, 2004)
        reference_density=141.5 / (34.0 + 131.5) * 999.016,
        reference_c=(60.0 - 32.0) / 1.8,
        expansion_per_k=0.0004586 * 1.8,
        second_gauge_offset=FOOT / 48,
    ),
}
