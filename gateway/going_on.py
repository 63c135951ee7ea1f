"""Tanks go on from what was remembered when the process before ended."""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime

import structlog

from gateway.binding import bind
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.clock import Clock
from gateway.clock_watch import is_impossible
from gateway.history import GATEWAY
from gateway.kept_memory import Kept, pause_s, restored, restored_watch
from gateway.tank_record import Event
from gateway.watch.alarms.late import Since, joined
from gateway.watch.alarms.together import left_over
from gateway.watch.loss.memory import NO_LOSS
from gateway.watch.memory import of_another_plan
from gateway.watched_tank import Tank

__all__ = [
    "MEMORY_BEGUN_ANEW",
    "MEMORY_CAME_LATE",
    "MEMORY_DAMAGED",
    "MEMORY_RESTORED",
    "go_on",
    "join_late",
    "of_tanks_gone",
    "pause_of",
]

MEMORY_RESTORED = "memory.restored"
MEMORY_BEGUN_ANEW = "tank.memory_begun_anew"
MEMORY_DAMAGED = "tank.memory_damaged"
MEMORY_NOT_TAKEN = "tank.memory_not_taken"
MEMORY_CAME_LATE = "memory.came_late"


def go_on(tanks: Sequence[Tank], kept: Kept, clock: Clock) -> int:
    """Before anything is read. How many sheets could not be made of what was kept: a mistake, which is logged.

    Each tank is as if the gateway had gone on polling meanwhile and nothing had been heard. One whose plan has
    become another begins anew: level, volume and elements mean something else there. What is only a question of its
    limits leaves rates and losses as they are.
    """
    log = structlog.get_logger("gateway.pipeline")
    steady_ns = clock.monotonic_ns()
    passed_s = pause_of(kept, clock)
    count = mistakes = 0
    for tank in tanks:
        tag = tank.plan.tank
        known = kept.tanks.get(tag)
        if tag in kept.damaged:
            log.warning(MEMORY_DAMAGED, tank=tag, trouble=kept.damaged[tag], hint="it begins without memory")
        if known is None:
            continue
        tank.watch_memory = restored_watch(kept, tag, steady_ns, passed_s)
        if known.plan == tank.ids.memory:
            mistakes += _go_on(tank, restored(kept, tag, steady_ns, passed_s), passed_s, clock)
            count += 1
        else:
            if known.moves != tank.ids.moves:
                tank.watch_memory = of_another_plan(tank.watch_memory)
            log.info(MEMORY_BEGUN_ANEW, tank=tag, hint="its plan is another than before")
        tank.give_up_what_is_left(_now(clock))
    for tag, trouble in kept.unwatched.items():
        hint = "its alarms begin anew: what was acknowledged or shelved is not known"
        log.warning(MEMORY_DAMAGED, tank=tag, trouble=trouble, hint=hint)
    pause = "not known: a clock was set back or is impossible" if passed_s is None else round(passed_s, 3)
    log.info(MEMORY_RESTORED, tanks=count, pause_s=pause)
    return mistakes


def join_late(tanks: Sequence[Tank], kept: Kept, clock: Clock) -> list[Tank]:
    """What comes late, since the disk was away at the start. The tanks that have something to tell.

    What people did to alarms holds from now on, and a loss is searched for on what was learned, where nothing was
    learned since. Doubts, rates and last good values stay those since the start: nobody can join them.
    """
    steady_ns = clock.monotonic_ns()
    passed_s = pause_of(kept, clock)
    now, telling = _now(clock), []
    for tank in tanks:
        tag = tank.plan.tank
        since, tank.since = tank.since or Since(), None
        known = kept.tanks.get(tag)
        if known is None:
            continue
        before = restored_watch(kept, tag, steady_ns, passed_s)
        alarms = joined(tank.alarm_plans, before.alarms, tank.watch_memory.alarms, since, now, steady_ns / 1e9)
        events = (*left_over(before.alarms, tank.alarm_plans, now), *alarms.events)
        tank.watch_memory = tank.watch_memory._replace(alarms=alarms.memories)
        if known.moves == tank.ids.moves and tank.watch_memory.loss.learned == NO_LOSS.learned:
            tank.watch_memory = tank.watch_memory._replace(loss=before.loss)
        tank.told += events
        if events and not tank.awaited:
            telling.append(tank)
    hint = "alarms go on from it; doubts, rates and last good values are those since the start"
    structlog.get_logger("gateway.pipeline").warning(MEMORY_CAME_LATE, tanks=len(kept.tanks), hint=hint)
    return telling


def of_tanks_gone(kept: Kept, tanks: Collection[str], clock: Clock) -> list[tuple[str, Event]]:
    """What is to be told, each with its tank, of the alarms of tanks that are remembered and not watched any more."""
    now = _now(clock)
    gone = {tag: known for tag, known in kept.tanks.items() if tag not in tanks and tag != GATEWAY}
    return [(tag, event) for tag, known in gone.items() for event in left_over(known.watch.alarms, (), now)]


def pause_of(kept: Kept, clock: Clock) -> float | None:
    """For how long nobody watched until now; None where nobody can tell."""
    utc_ns = clock.utc_ns()
    is_told = not (is_impossible(kept.utc_ns) or is_impossible(utc_ns))
    return pause_s(kept, utc_ns, clock.monotonic_ns(), is_told=is_told)


def _go_on(tank: Tank, memory: Memory, passed_s: float | None, clock: Clock) -> int:
    tank.memory = memory
    if passed_s is None or passed_s <= tank.level_stale_s:
        return 0
    # Had it gone on polling, it would have had no reading left: what that ends, ends.
    nothing = bind(tank.binding, {}, clock.utc_ns(), clock.monotonic_ns())
    try:
        _, tank.memory = calculate(tank.plan, nothing, memory)
    except Exception:
        log = structlog.get_logger("gateway.pipeline")
        log.exception(MEMORY_NOT_TAKEN, tank=tank.plan.tank, hint="it begins without memory")
        tank.memory = EMPTY_MEMORY
        return 1
    return 0


def _now(clock: Clock) -> datetime:
    return datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC)
