"""One device on liquid that moves is never taken for two: a year of waves, deadbands, pumping and mixers.

Half a day of each kind here, a month of each with QUIET_YEAR=1 (`make soak`). The slowest wave of liquid in an upright
cylinder has omega^2 = (k g / R) tanh(k h / R), k the first zero of J1' (formula from memory; k by scipy). Amplitudes,
deadbands and mixers are common practice.
"""

import math
import os
import random
from collections.abc import Callable
from typing import NamedTuple

import pytest
from scipy.special import jnp_zeros

from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.acquisition.signals.suspicion import DuplicateAddressWatch
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading

DAYS = 30.4 if os.environ.get("QUIET_YEAR") else 0.5
TICK_S = 0.25
"""How often the gauge itself looks."""
Level = Callable[[float], float]
"""The surface in m at a time in s."""


class Kind(NamedTuple):
    name: str
    level: Callable[[random.Random], Level]
    poll_s: float = 2.0
    deadband_m: float = 0.0
    damping_s: float = 0.0
    step_m: float = 0.001
    """What the gauge rounds to; 0: it does not, and sends floating-point numbers."""


def first_mode_s(diameter_m: float, depth_m: float) -> float:
    wave_number = float(jnp_zeros(1, 1)[0]) / (diameter_m / 2)
    return 2 * math.pi / math.sqrt(9.80665 * wave_number * math.tanh(wave_number * depth_m))


def still(dice: random.Random) -> Level:
    return lambda now_s: 5.0005 + dice.gauss(0.0, 0.0003)


def waves(amplitude_m: float, period_s: float, swell: float = 0.3) -> Callable[[random.Random], Level]:
    """Waves whose height changes by so much of itself, slowly."""

    def make(dice: random.Random) -> Level:
        phase, slow_s = dice.uniform(0, 6.28), dice.uniform(200, 900)

        def level(now_s: float) -> float:
            height = amplitude_m * (1 + swell * math.sin(now_s / slow_s))
            return 5.0 + height * math.sin(6.283185307 * now_s / period_s + phase)

        return level

    return make


def mixer(dice: random.Random) -> Level:
    """A ripple at the blades' pace, on waves of the vessel, on for twenty minutes of each hour."""
    swell = waves(0.012, 2.3)(dice)

    def level(now_s: float) -> float:
        runs = now_s % 3600 < 1200
        return swell(now_s) + 0.004 * math.sin(13.2 * now_s) if runs else 5.0

    return level


def pumping(cycle_s: float, low_m: float, high_m: float) -> Callable[[random.Random], Level]:
    """Filled and drawn in turn, with a rest after each."""

    def make(dice: random.Random) -> Level:
        def level(now_s: float) -> float:
            part = now_s / cycle_s % 1.0
            share = min(part / 0.3, 1.0) if part < 0.5 else max(0.0, 1.0 - (part - 0.5) / 0.3)
            return low_m + (high_m - low_m) * share

        return level

    return make


def pumped_with_waves(dice: random.Random) -> Level:
    fill, swell = pumping(5400.0, 2.0, 9.0)(dice), waves(0.02, 4.4)(dice)
    return lambda now_s: fill(now_s) + swell(now_s) - 5.0


KINDS = [
    Kind("still, the last digit flickers", still),
    Kind("waves of a wide tank", waves(0.03, first_mode_s(18.0, 9.0))),
    Kind("waves seen twice a period", waves(0.04, 4.0, swell=0.0)),
    Kind("waves seen twice a period, by a fine gauge", waves(0.04, 4.0, swell=0.0), step_m=0.0),
    Kind("waves seen three times in two periods", waves(0.04, 3.0, swell=0.02), step_m=0.0),
    Kind("a deadband that waves just cross", waves(0.006, 4.4, swell=0.05), deadband_m=0.010),
    Kind("a deadband that waves cross far", waves(0.02, 6.0), deadband_m=0.015, step_m=0.0),
    Kind("a deadband on a vessel of 2 m", waves(0.008, first_mode_s(2.0, 2.0), swell=0.1), deadband_m=0.012),
    Kind("a mixer", mixer, damping_s=0.5),
    Kind("pumped, with waves", pumped_with_waves, deadband_m=0.005, damping_s=2.0),
    Kind("a small sump, full and empty by turns", pumping(16.0, 0.4, 1.6), poll_s=4.0),
    Kind("a small vessel, polled once a cycle or so", pumping(20.0, 0.4, 1.6), poll_s=9.9),
]


class Gauge:
    """What a level gauge says: damped, held until it has changed by the deadband, rounded."""

    def __init__(self, kind: Kind, dice: random.Random) -> None:
        self._kind = kind
        self._level = kind.level(dice)
        self._next_s = 0.0
        self._damped = self._said = self._level(0.0)
        self._share = 1.0 if not kind.damping_s else 1.0 - math.exp(-TICK_S / kind.damping_s)

    def read(self, now_s: float) -> float:
        kind = self._kind
        while self._next_s <= now_s:
            self._damped += self._share * (self._level(self._next_s) - self._damped)
            if abs(self._damped - self._said) >= kind.deadband_m:
                self._said = self._damped
            self._next_s += TICK_S
        return round(self._said / kind.step_m) * kind.step_m if kind.step_m else self._said


def readings(value: float) -> list[Reading]:
    return [Reading("LT-1", "level", value, Quality.GOOD, None, 0, 0, (1,))]


@pytest.mark.parametrize("kind", KINDS, ids=[kind.name for kind in KINDS])
def test_no_kind_of_moving_liquid_is_taken_for_two_devices(kind: Kind) -> None:
    dice = random.Random(kind.name)
    gauge = Gauge(kind, dice)
    type_, scale = (ValueType.UINT16, kind.step_m) if kind.step_m else (ValueType.FLOAT32, 1.0)
    signal = Signal("level", Table.INPUT_REGISTERS, 0, type_, scale=scale)
    duplicate = DuplicateAddressWatch(InstrumentMap("gauge", (signal,)))
    looked_at = 0
    for number in range(int(DAYS * 86_400 / kind.poll_s)):
        now_s = number * kind.poll_s
        value = gauge.read(now_s)
        if duplicate.is_looked_at(["level"]):
            looked_at += 1
            apart_s = dice.uniform(0.01, 0.25)
            row = [readings(value), *(readings(gauge.read(now_s + apart_s * place)) for place in (1, 2, 3))]
            duplicate.read_in_a_row(row)
        duplicate.look(readings(value))
        assert duplicate.seen is None, (now_s, duplicate.seen)
    assert duplicate.suspicions == 0
    assert looked_at * kind.poll_s < 0.1 * DAYS * 86_400, "a tenth of the polls at most"


def test_these_kinds_do_make_two_bands() -> None:
    """Else the year proves nothing: several of them are looked at closely."""
    looked_at = set()
    for kind in KINDS:
        dice = random.Random(3)
        gauge = Gauge(kind, dice)
        duplicate = DuplicateAddressWatch(
            InstrumentMap("gauge", (Signal("level", Table.INPUT_REGISTERS, 0, ValueType.FLOAT32),))
        )
        for number in range(5000):
            duplicate.look(readings(gauge.read(number * kind.poll_s)))
            if duplicate.is_looked_at(["level"]):
                looked_at.add(kind.name)
    assert len(looked_at) >= 4, looked_at
