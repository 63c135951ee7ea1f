"""What would change in today's figures: each tank's newest input calculated by the plan of now and by another one.

Nothing is kept, and nothing that is watched is touched. What is bound is bound by the gateway's loop, a few tanks at a
time; the sheets are made by a thread beside it.
"""

import asyncio
from collections.abc import Sequence
from typing import Any, NamedTuple

from gateway.binding import TankBinding
from gateway.calculation.inventory import sheet
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import TankPlan
from gateway.changes import Changes
from gateway.page_answers.consequences import figure_state
from gateway.pipeline import Pipeline
from gateway.records import Figure, Quality, TankInput
from gateway.settings import SiteSettings, TankSetup
from gateway.watched_tank import Tank

__all__ = ["FIGURES", "Pair", "compared", "pairs"]

FIGURES = ("level", "tov", "gsv", "mass", "room")
_AT_ONCE = 5
"""Tanks, before others have their turn."""


class _Side(NamedTuple):
    plan: TankPlan
    tank_input: TankInput
    memory: Memory


class Pair(NamedTuple):
    """A tank of which something is to be another."""

    tank: str
    state: str
    """compared, added, removed; or unknown, and `note` says why."""
    note: str = ""
    before: _Side | None = None
    after: _Side | None = None


async def pairs(
    pipeline: Pipeline, new: SiteSettings, setups: Sequence[TankSetup], changes: Changes
) -> tuple[list[Pair], int]:
    """`setups`: the tanks by the new settings, with what people have entered. And of how many nothing is another."""
    heard = {(each.instrument, each.signal) for each in pipeline.readings()}
    found: list[Pair] = []
    same = 0
    for number, setup in enumerate(setups):
        if number % _AT_ONCE == 0:
            await asyncio.sleep(0)
        pair = _pair(pipeline, new, setup, changes, heard)
        if pair is None:
            same += 1
        else:
            found.append(pair)
    kept = {setup.plan.tank for setup in setups}
    gone = [tank.plan.tank for tank in pipeline.watched() if tank.plan.tank not in kept]
    return [*found, *(Pair(tag, "removed", "it is watched no more") for tag in gone)], same


def compared(pair: Pair) -> dict[str, Any]:
    """Plain values. Pure computation, for a thread."""
    told: dict[str, Any] = {"tank": pair.tank, "state": pair.state, "note": pair.note, "figures": []}
    if pair.before is None or pair.after is None:
        return told
    try:
        before, after = (sheet(side.plan, side.tank_input, side.memory)[0] for side in (pair.before, pair.after))
    except Exception as error:  # noqa: BLE001 - what is wrong with one tank keeps nobody from seeing the others
        return {**told, "state": "unknown", "note": f"a fault in the program: {type(error).__name__}: {error}"}
    for name in FIGURES:
        one, other = getattr(before.figures, name), getattr(after.figures, name)
        told["figures"].append(
            {
                "name": name,
                "before": figure_state(name, one),
                "after": figure_state(name, other),
                "difference": _difference(one, other),
            }
        )
    return told


def _pair(
    pipeline: Pipeline, new: SiteSettings, setup: TankSetup, changes: Changes, heard: set[tuple[str, str]]
) -> Pair | None:
    """None where all that its sheet depends on is the same."""
    tag = setup.plan.tank
    tank = pipeline.tank(tag)
    if tank is None:
        return Pair(tag, "added", "it has no figures yet")
    read_anew = _read_anew(tank.binding, setup.binding, changes, heard)
    if (setup.plan, setup.binding) == (tank.plan, tank.binding) and not read_anew:
        return None
    if tank.latest is None or tank.awaited:
        return Pair(tag, "unknown", "it has no sheet yet")
    if read_anew:
        text = f"{', '.join(read_anew)} would be read in another way: its figures are known when that has been read"
        return Pair(tag, "unknown", text)
    other = Tank(setup.plan, setup.binding, setup.period_s, new.maps, 0, setup.watch)
    memory = tank.memory if tank.goes_on(other, changes.forgotten) else EMPTY_MEMORY
    return Pair(
        tag,
        "compared",
        "",
        _Side(tank.plan, pipeline.bound(tank.binding), tank.memory),
        _Side(setup.plan, pipeline.bound(setup.binding), memory),
    )


def _read_anew(
    before: TankBinding, after: TankBinding, changes: Changes, heard: set[tuple[str, str]]
) -> tuple[str, ...]:
    """The instruments of which nothing that was read so far tells what they will give."""
    known = {source.key for source in before.sources} | heard
    return tuple(
        dict.fromkeys(
            source.instrument
            for source in after.sources
            if source.instrument in changes.forgotten or source.key not in known
        )
    )


def _difference(one: Figure, other: Figure) -> float | None:
    """None where there are not two values."""
    values = [None if each.quality is Quality.BAD else each.value for each in (one, other)]
    return None if values[0] is None or values[1] is None else values[1] - values[0]
