"""What the log is told of a tank: only what has changed since it was last told."""

import structlog

from gateway.figures import BESIDE
from gateway.records import ENTRIES, Figures, Inventory, Quality
from gateway.states import LimitState, RoofZone
from gateway.watched_tank import Tank

__all__ = ["ENTRY_ENDED", "ENTRY_ENDS", "LEVEL_STATE", "tell_changes"]

TANK_QUALITY = "tank.quality_changed"
LEVEL_STATE = "tank.level_state_changed"
ENTRY_ENDS = "tank.entry_ends"
ENTRY_ENDED = "tank.entry_ended"
Log = structlog.stdlib.BoundLogger


def tell_changes(log: Log, tank: Tank, inventory: Inventory) -> None:
    """Of a sheet, before it takes the place of the one before it."""
    _quality(log, tank, inventory)
    _level_state(log, tank, inventory)
    _endings(log, tank, inventory)


def _quality(log: Log, tank: Tank, inventory: Inventory) -> None:
    before = None if tank.latest is None else tank.latest.inventory.quality
    if inventory.quality == before:
        return
    worst = next(
        (
            each
            for name, each in zip(Figures._fields, inventory.figures, strict=True)
            if each.quality == inventory.quality and each.reasons and name not in BESIDE
        ),
        None,
    )
    tell = log.info if inventory.quality == Quality.GOOD else log.warning
    tell(
        TANK_QUALITY,
        tank=tank.plan.tank,
        quality=inventory.quality.word,
        before=None if before is None else before.word,
        reason=None if worst is None or inventory.quality == Quality.GOOD else worst.reasons[0].text,
        simulated=inventory.simulated,
    )


def _level_state(log: Log, tank: Tank, inventory: Inventory) -> None:
    """A limit passed, or passed back, and a roof that comes to rest or afloat. It is no alarm."""
    state = inventory.level_state
    limit = tank.limit_told if state.limit is LimitState.UNKNOWN else state.limit
    roof = tank.roof_told if state.roof is None else state.roof
    if (limit, roof) == (tank.limit_told, tank.roof_told):
        return
    level_m, limit_m = inventory.figures.level.value, state.passed_m
    tell = log.warning if limit.is_beyond or roof is not RoofZone.FLOATING else log.info
    tell(
        LEVEL_STATE,
        tank=tank.plan.tank,
        limit=limit.value,
        limit_before=tank.limit_told.value,
        stands_at=None if level_m is None else f"{level_m:.3f} m",
        passed=None if limit_m is None else f"{limit_m:.3f} m",
        roof=None if state.roof is None else roof.value,
        simulated=inventory.simulated,
    )
    tank.limit_told, tank.roof_told = limit, roof


def _endings(log: Log, tank: Tank, inventory: Inventory) -> None:
    for ending in inventory.endings:
        ended = ending.expires <= inventory.instant
        if (ending, ended) not in tank.endings_told:
            tank.endings_told.add((ending, ended))
            log.warning(
                ENTRY_ENDED if ended else ENTRY_ENDS,
                tank=tank.plan.tank,
                entry=ENTRIES[ending.entry],
                expires=f"{ending.expires:%Y-%m-%d %H:%M} UTC",
                simulated=inventory.simulated,
            )
