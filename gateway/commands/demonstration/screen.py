"""What the demo shows while it runs: a live table on a terminal, plain lines at intervals elsewhere."""

import asyncio
import sys
from collections.abc import Callable, Sequence
from zoneinfo import ZoneInfo

from rich.console import Group, RenderableType
from rich.live import Live
from rich.text import Text

from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.site_summary import alarm_lines
from gateway.commands.operator.tank_table import TankView, notes, tank_grid, total_lines, view_of
from gateway.commands.output import is_terminal, make_console, plain_lines, rich_table, write
from gateway.display import UnitSystem
from gateway.records import Inventory, ReasonCode
from gateway.status import GatewaySnapshot

__all__ = ["show_until"]

_LIVE_EVERY_S = 1.0
_PLAIN_EVERY_S = 5.0
_FIRST_LOOK_S = 0.2
_FIRST_TABLE_WITHIN_S = 10.0
_STORY = 12
"""Lines of what happened that a terminal keeps in sight."""
_STOP = "Ctrl-C stops all of it."


async def show_until(
    stop: asyncio.Event,
    snapshot: Callable[[], GatewaySnapshot],
    tanks: int,
    system: UnitSystem = UnitSystem.SI,
    story: Sequence[str] = (),
) -> None:
    """Show all tanks until `stop` is set, beginning when each of them has been read. `story` grows meanwhile."""
    await _all_read(stop, snapshot, tanks)
    if is_terminal(sys.stdout):
        await _live(stop, snapshot, system, story)
        return
    told = 0
    while not stop.is_set():
        views, time = _views(snapshot())
        new = story[told:]
        told += len(new)
        write(
            *new,
            f"{time} SIMULATED",
            *alarm_lines(views),
            *plain_lines(tank_grid(views, system)),
            *total_lines(views, system),
            *notes(views, system),
        )
        write("")
        await _wait(stop, _PLAIN_EVERY_S)


async def _live(
    stop: asyncio.Event, snapshot: Callable[[], GatewaySnapshot], system: UnitSystem, story: Sequence[str]
) -> None:
    console = make_console(sys.stdout)

    def picture() -> RenderableType:
        views, time = _views(snapshot())
        table = rich_table(tank_grid(views, system), console.width, f"SIMULATED, {time}")
        below = [*alarm_lines(views), *total_lines(views, system), *notes(views, system), *story[-_STORY:], _STOP]
        return Group(table, Text("\n".join(below)))

    # Drawn by this task alone, once for each look: no thread of rich's own reads the gateway's state.
    with Live(picture(), console=console, auto_refresh=False, vertical_overflow="visible") as live:
        while not stop.is_set():
            live.update(picture(), refresh=True)
            await _wait(stop, _LIVE_EVERY_S)


async def _all_read(stop: asyncio.Event, snapshot: Callable[[], GatewaySnapshot], tanks: int) -> None:
    """Wait until every tank has been read once, but not for ever: a tank that stays silent is shown as such."""
    loop = asyncio.get_running_loop()
    latest = loop.time() + _FIRST_TABLE_WITHIN_S
    while not stop.is_set() and loop.time() < latest:
        inventories = [record.inventory for record in snapshot().inventories]
        if len(inventories) == tanks and all(map(_is_read, inventories)):
            return
        await _wait(stop, _FIRST_LOOK_S)


def _is_read(inventory: Inventory) -> bool:
    return not any(
        reason.code is ReasonCode.NOT_YET_READ for figure in inventory.figures for reason in figure.reasons
    ) and not any(
        element.reason is not None and element.reason.code is ReasonCode.NOT_YET_READ for element in inventory.elements
    )


def _views(snapshot: GatewaySnapshot) -> tuple[list[TankView], str]:
    now = snapshot.instant
    pace = "" if snapshot.time_factor == 1.0 else f", its time passes {snapshot.time_factor:g} times as fast"
    views = [view_of(record.inventory, now)._replace(state=record.state) for record in snapshot.inventories]
    return views, f"{site_time(now, ZoneInfo(snapshot.time_zone), '%Y-%m-%d %H:%M:%S')}{pace}"


async def _wait(stop: asyncio.Event, seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await stop.wait()
    except TimeoutError:
        return
