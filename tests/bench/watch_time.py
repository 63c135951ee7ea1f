"""What the watch adds to a sheet: a tank of the demo with fifteen alarms, at rest and filling, beside its own sheets.

And how far the time to high-high is off after five minutes of a steady 300 m3/h: a gauge that shows whole millimetres
of a surface with 0.5 mm of white noise, read every 2 s.
"""

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.tables.level_of_volume import level_of_volume
from gateway.commands.demonstration.site import load_demo
from gateway.records import Input, Inventory, Quality, TankInput
from gateway.settings.tanks.plans import TankSetup
from gateway.tank_state import TankState
from gateway.watch.memory import NO_WATCH
from gateway.watch.watch import watch
from tests.bench.interleaved import compare
from tests.bench.sheet_time import rate

__all__ = ["measure"]

BASELINE = "its sheet alone"
_TANK = "TK-101"
_EVERY_S = 2.0
_SHEETS = 1_000
_FLOW_M3_S = 300.0 / 3600.0
_FIVE_MINUTES = round(300.0 / _EVERY_S)
_TRIALS = 40


def measure(*, long: bool) -> dict[str, object]:
    setup = next(each for each in load_demo().tanks if each.plan.tank == _TANK)
    seconds = 3.0 if long else 0.5
    rest, filling = (_story(setup, flow, random.Random(1)) for flow in (0.0, _FLOW_M3_S))
    contenders: dict[str, Callable[[], tuple[float, float]]] = {
        BASELINE: partial(rate, partial(_sheets, setup, rest), seconds),
        "watch of a tank at rest": partial(rate, partial(_watched, setup, rest, _made(setup, rest)), seconds),
        "watch of one that fills": partial(rate, partial(_watched, setup, filling, _made(setup, filling)), seconds),
    }
    found = compare(contenders, baseline=BASELINE, rounds=15 if long else 7)
    off = sorted(_off(setup, random.Random(seed)) for seed in range(_TRIALS * (5 if long else 1)))
    return {
        "title": f"Watch: {len(setup.watch.alarms)} alarms a tank, beside a sheet",
        "unit": "sheets/s",
        "baseline": BASELINE,
        "rows": [contender.row() for contender in found],
        "notes": [
            f"time to high-high after 5 min at 300 m3/h: off by {off[len(off) // 2]:.1%} (median), "
            f"{off[-1]:.1%} at most of {len(off)}"
        ],
    }


def _story(setup: TankSetup, flow_m3_s: float, chance: random.Random, sheets: int = _SHEETS) -> list[TankInput]:
    """From 9.4 m on."""
    capacity = setup.plan.capacity
    begun = datetime(2026, 11, 28, tzinfo=UTC)
    volume = capacity.volume(9.4)
    made = []
    for number in range(sheets):
        true_m = level_of_volume(capacity, volume + flow_m3_s * number * _EVERY_S)
        level_m = round((true_m + chance.gauss(0.0, 0.0005)) * 1000.0) / 1000.0
        made.append(
            TankInput(
                _TANK,
                begun + timedelta(seconds=number * _EVERY_S),
                level=_good(setup.plan.reference_height_m - level_m),
                water=_good(0.035),
                elements=tuple([_good(each + chance.gauss(0.0, 0.02)) for each in (14.1, 14.3, 14.8, 15.6, 19.2)]),
                reference_density=_good(838.0),
                steady_s=1_000.0 + number * _EVERY_S,
            )
        )
    return made


def _good(value: float) -> Input:
    return Input(value, Quality.GOOD, None, 0.5, "X.signal")


def _made(setup: TankSetup, story: list[TankInput]) -> list[Inventory]:
    memory, made = EMPTY_MEMORY, []
    for given in story:
        inventory, memory = calculate(setup.plan, given, memory)
        made.append(inventory)
    return made


def _sheets(setup: TankSetup, story: list[TankInput]) -> int:
    return len(_made(setup, story))


def _watched(setup: TankSetup, story: list[TankInput], sheets: list[Inventory]) -> int:
    # A watch that has found nothing out would not count.
    assert _last(setup, story, sheets).rate.value is not None
    return len(story)


def _last(setup: TankSetup, story: list[TankInput], sheets: list[Inventory]) -> TankState:
    memory, states = NO_WATCH, []
    for given, inventory in zip(story, sheets, strict=True):
        state, _, memory, _ = watch(setup.watch, setup.plan, given, inventory, memory)
        states.append(state)
    return states[-1]


def _off(setup: TankSetup, chance: random.Random) -> float:
    """By which part the time to high-high is off after five minutes."""
    story = _story(setup, _FLOW_M3_S, chance, _FIVE_MINUTES)
    state = _last(setup, story, _made(setup, story))
    high_m = setup.plan.limits.high_high_m
    assert high_m is not None
    told_s = next(time.in_s for time in state.times if time.limit == "high_high")
    capacity = setup.plan.capacity
    filled_m3 = _FLOW_M3_S * (_FIVE_MINUTES - 1) * _EVERY_S
    true_s = (capacity.volume(high_m) - capacity.volume(9.4) - filled_m3) / _FLOW_M3_S
    return abs(told_s / true_s - 1.0)
