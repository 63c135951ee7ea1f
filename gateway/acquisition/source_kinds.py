"""The one table of the kinds of sources: from what the site file fixed to the source that reads."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

from gateway.acquisition.line import Line
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.source import Source, SourcePlan, Surroundings
from gateway.records import Reading

__all__ = ["SOURCE_KINDS", "make_source"]


def make_source(plan: SourcePlan, around: Surroundings) -> Source:
    """The source of a plan, not yet running."""
    return SOURCE_KINDS[type(plan)](plan, around)


def _line(plan: LinePlan, around: Surroundings) -> Line:
    """A Modbus line, whose turns are its readings and its waits."""

    def sink(readings: Sequence[Reading]) -> None:
        around.came_round(0.0)
        around.sink(readings)

    async def sleep(wait_s: float) -> None:
        around.came_round(wait_s)
        await asyncio.sleep(wait_s)

    return Line(plan, sink, clock=around.clock, random=around.random, sleep=sleep)


SOURCE_KINDS: dict[type, Callable[[Any, Surroundings], Source]] = {LinePlan: _line}
"""By the type of the plan."""
