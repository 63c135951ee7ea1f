"""How long a full calculation sheet takes: a tank with 16 temperature elements, a water probe, shell and S&W.

Beside it, in the same rounds, a fixed loop of plain Python arithmetic: their ratio tells a slower sheet from a slower
machine.
"""

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import (
    ElementPlan,
    FreeWaterSource,
    GaugeKind,
    GaugePlan,
    LimitPlan,
    ProductPlan,
    ShellPlan,
    TankPlan,
    TemperaturePlan,
)
from gateway.calculation.shapes import UprightCylinder
from gateway.records import Input, Quality, TankInput
from tests.bench.interleaved import compare

__all__ = ["BASELINE", "inputs", "measure", "plan", "rate"]

BASELINE = "plain Python loop"
ELEMENTS = 16
INPUTS = 1_000


def measure(*, long: bool) -> dict[str, object]:
    tank_plan, tank_inputs = plan(), inputs()
    seconds = 3.0 if long else 0.5
    contenders: dict[str, Callable[[], tuple[float, float]]] = {
        BASELINE: partial(rate, _plain_loop, seconds),
        "full sheet, 16 elements": partial(rate, partial(_sheets, tank_plan, tank_inputs), seconds),
    }
    found = compare(contenders, baseline=BASELINE, rounds=15 if long else 7)
    return {
        "title": "Calculation: a full sheet, alone in one thread",
        "unit": "sheets/s",
        "baseline": BASELINE,
        "rows": [contender.row() for contender in found],
    }


def rate(work: Callable[[], int], seconds: float) -> tuple[float, float]:
    """(pieces a second, processor microseconds a piece)."""
    pieces = 0
    wall, cpu = time.perf_counter(), time.process_time()
    while time.perf_counter() - wall < seconds:
        pieces += work()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return pieces / wall, cpu / pieces * 1e6


def _plain_loop() -> int:
    """A piece is forty rounds of a little arithmetic over sixteen numbers: about as long as a sheet should take."""
    total = 0.0
    for number in range(40 * 100):
        values = [math.sqrt(number + each) for each in range(ELEMENTS)]
        total += math.exp(-sum(values) / 1e3)
    assert total > 0.0
    return 100


def _sheets(plan: TankPlan, inputs: list[TankInput]) -> int:
    memory: Memory = EMPTY_MEMORY
    for tank_input in inputs:
        inventory, memory = calculate(plan, tank_input, memory)
        # A cheaper sheet that has no result would not count.
        assert inventory.figures.nsv.quality is Quality.GOOD, inventory.figures.nsv
    return len(inputs)


def plan() -> TankPlan:
    return TankPlan(
        tank="TK-1",
        product=ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, 15.0)),
        capacity=UprightCylinder(diameter_m=30.0, height_m=18.0),
        reference_height_m=18.5,
        gauge=GaugePlan(GaugeKind.ULLAGE),
        temperature=TemperaturePlan(tuple(ElementPlan(0.5 + 1.1 * n, f"t{n + 1}") for n in range(ELEMENTS))),
        free_water=FreeWaterSource.PROBE,
        shell=ShellPlan(11.2e-6, 15.0),
        limits=LimitPlan(0.5, 16.5, 17.0, 17.5),
    )


def inputs() -> list[TankInput]:
    """A tank that is filled slowly, its elements drifting: no two sheets are alike."""
    begin = datetime(2026, 1, 1, tzinfo=UTC)

    def good(value: float, source: str) -> Input:
        return Input(value, Quality.GOOD, None, 0.4, source)

    return [
        TankInput(
            tank="TK-1",
            instant=begin + timedelta(seconds=2 * number),
            level=good(18.5 - 12.0 - 0.0004 * number, "LT-1.ullage"),
            water=good(0.052, "WT-1.water"),
            elements=tuple(
                good(14.0 + 0.05 * element + 0.0003 * number, f"TT-1.t{element + 1}") for element in range(ELEMENTS)
            ),
            ambient=good(11.0, "AT-1.ambient"),
            reference_density=Input(838.0, Quality.GOOD, None, 0.0, "site file", manual=True),
            sediment_water=Input(0.0005, Quality.GOOD, None, 0.0, "site file", manual=True),
        )
        for number in range(INPUTS)
    ]
