"""What instruments hold in their registers: numbers of a type, a scale and a unit, and what they make of a true value.

Platinum elements after IEC 60751: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), the last term below 0 degC.
"""

import struct

from tests.site_fuzz.tanks import Signal
from tests.site_fuzz.world.dice import Dice

__all__ = ["level_signal", "pressure_signal", "resistance", "shown", "temperature_signal", "water_signal"]

_INCH = 0.0254


def level_signal(dice: Dice, name: str, highest: float) -> Signal:
    """Of innage, ullage or the span of a loop up to `highest` m."""
    match dice.randint(0, 5):
        case 0:
            return Signal(name, "m", "float32")
        case 1:
            return Signal(name, "mm", "float32", factor=1e-3)
        case 2:
            return Signal(name, "mm", "int32", 0.1, 1e-3)
        case 3 if highest < 30.0:
            return Signal(name, "mm", "int16", 1.0, 1e-3)
        case 4 if highest < 50.0:
            return Signal(name, "in", "int16", 0.0625, _INCH)
        case 5 if highest < 8.0:
            span = float(int(highest) + 1)
            # 4 to 20 mA in steps of a microampere.
            return Signal(name, "uA", "loop", span / 16_000.0, 1.0, 0.0)
        case _:
            return Signal(name, "mm", "int32", 1.0, 1e-3)


def water_signal(dice: Dice, name: str) -> Signal:
    return dice.one(
        Signal(name, "mm", "int16", 1.0, 1e-3), Signal(name, "m", "float32"), Signal(name, "mm", "float32", 1.0, 1e-3)
    )


def temperature_signal(dice: Dice, name: str, kind: int) -> Signal:
    match kind:
        case 0:
            return Signal(name, "degC", "int16", 0.1)
        case 1:
            return Signal(name, "degC", "float32")
        case 2:
            return Signal(name, "degF", "int16", 0.1, 1.0 / 1.8, -32.0 / 1.8)
        case 3:
            return Signal(name, "ohm", "uint16", 0.01, ohm=100.0)
        case _:
            return Signal(name, "ohm", "uint16", 0.1, ohm=1000.0)


def pressure_signal(dice: Dice, name: str, highest_pa: float) -> Signal:
    choices = [
        Signal(name, "Pa", "float32"),
        Signal(name, "kPa", "float32", 1.0, 1e3),
        Signal(name, "bar", "float32", 1.0, 1e5),
    ]
    if highest_pa < 600e3:
        choices.append(Signal(name, "kPa", "uint16", 0.01, 1e3))
    if highest_pa < 300e3:
        choices.append(Signal(name, "mbar", "uint16", 0.1, 100.0))
    return dice.choice(choices)


def resistance(celsius: float, nominal: float) -> float:
    ratio = 1.0 + 3.9083e-3 * celsius - 5.775e-7 * celsius**2
    return nominal * (ratio - 4.183e-12 * (celsius - 100.0) * celsius**3 if celsius < 0.0 else ratio)


def shown(signal: Signal, true: float) -> float:
    """What the instrument says of a true SI value, in SI again (of a platinum element its ohms)."""
    value = resistance(true, signal.ohm) if signal.ohm is not None else true
    number = (value - signal.zero) / (signal.scale * signal.factor)
    number = struct.unpack("f", struct.pack("f", number))[0] if signal.kind == "float32" else float(round(number))
    return float(number) * signal.scale * signal.factor + signal.zero
