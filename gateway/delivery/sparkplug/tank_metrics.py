"""Pure: a sheet, and what else is known of its tank, as metrics: value, quality and time of one sheet go together."""

from collections.abc import Collection, Iterable, Sequence

from gateway.delivery.sparkplug.datatypes import QUALITY_STALE
from gateway.delivery.sparkplug.metrics import Metric, milliseconds, of_figure, plain
from gateway.delivery.sparkplug.names import ALARMS, FIGURES, NAMES, TANK_METRICS
from gateway.records import Input, LevelState, Quality, Reason, ReasonCode, TankInput
from gateway.states import LimitState
from gateway.status import OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmPhase, Motion
from gateway.validity import valid_until

__all__ = ["is_lost", "past_metrics", "stale_metrics", "tank_metrics", "transfer_of"]

_ONLY_PAST = Reason(ReasonCode.STALE, "there is history of this tank alone, and nothing of now")
_NOT_WATCHED = Reason(ReasonCode.NOT_APPLICABLE, "this tank is not watched for it")
_AHEAD = "planned", "proposed"
"""Phases in which nothing has begun."""


def is_lost(record: TankRecord) -> bool:
    """Whether nothing is known of the tank any more: no instrument tells anything, and nobody has told the level."""
    if record.inventory.figures.level.quality is not Quality.BAD:
        return False
    inputs = list(_instruments(record.tank_input))
    return bool(inputs) and all(each.quality is Quality.BAD for each in inputs)


def _instruments(given: TankInput) -> Iterable[Input]:
    alone = (given.level, given.second_level, given.bottom_pressure, given.vapour_pressure, given.water, given.ambient)
    found = (*alone, *given.elements, *given.flows)
    return (each for each in found if each is not None and not each.manual)


def transfer_of(tank: str, transfers: Sequence[OpenTransfer]) -> OpenTransfer | None:
    """Of those that are open at a tank the one that is furthest on, the oldest first."""
    own = [each for each in transfers if tank in each.tanks]
    return min(own, key=lambda each: (each.phase in _AHEAD, each.number), default=None)


def tank_metrics(
    record: TankRecord, watched: Collection[str] = (), transfer: OpenTransfer | None = None
) -> list[Metric]:
    """All of `TANK_METRICS`, in that order. `watched`: names of the alarms that the tank is watched for: of another
    nobody can say that it is normal."""
    metrics = [*past_metrics(record)]
    time_ms = milliseconds(record.inventory.instant)
    told = {
        "transfer.number": None if transfer is None else transfer.number,
        "transfer.kind": None if transfer is None else transfer.kind,
        "transfer.phase": None if transfer is None else transfer.phase,
        "transfer.since": None if transfer is None else transfer.since,
        "transfer.waits_for": None if transfer is None else transfer.waits_for or None,
    }
    metrics += [plain(TANK_METRICS[NAMES[key]], value, time_ms) for key, value in told.items()]
    return metrics + _alarms(record, watched, time_ms)


def _alarms(record: TankRecord, watched: Collection[str], time_ms: int) -> list[Metric]:
    if record.state is None:
        return [plain(definition, None, time_ms, Quality.BAD) for definition in ALARMS.values()]
    phases = {standing.name: standing.phase.value for standing in record.state.alarms}
    return [
        plain(definition, phases.get(name, AlarmPhase.NORMAL.value), time_ms)
        if name in phases or name in watched
        else Metric(definition, None, time_ms, reasons=(_NOT_WATCHED,))
        for name, definition in ALARMS.items()
    ]


def past_metrics(record: TankRecord) -> list[Metric]:
    """What the record alone tells: sheet, figures and states."""
    sheet, state = record.inventory, record.state
    instant = sheet.instant
    time_ms = milliseconds(instant)
    level_state = sheet.level_state
    limit = None if level_state.limit is LimitState.UNKNOWN else level_state.limit.value
    first = state.times[0] if state is not None and state.times else None
    motion = None if state is None or state.motion is Motion.UNKNOWN else state.motion.value
    moves = Quality.BAD if motion is None or state is None else _as_sure(state.rate.quality)
    told = {
        "time": (instant, Quality.GOOD),
        "valid_until": (valid_until(instant, record.valid_for_s), Quality.GOOD),
        "sequence": (record.identity.sequence, Quality.GOOD),
        "boot": (record.identity.boot, Quality.GOOD),
        "quality": (sheet.quality.word, Quality.GOOD),
        "simulated": (sheet.simulated, Quality.GOOD),
        "product": (sheet.product, Quality.GOOD),
        "limit": (limit, Quality.BAD if limit is None else level_state.quality),
        "roof": (level_state.roof and level_state.roof.value, _of_roof(level_state)),
        "limits.minimum": (level_state.minimum_m, Quality.GOOD),
        "limits.maximum_working": (level_state.maximum_working_m, Quality.GOOD),
        "limits.high_high": (level_state.high_high_m, Quality.GOOD),
        "limits.critical_high": (level_state.critical_high_m, Quality.GOOD),
        "motion": (motion, moves),
        "since": (None if state is None else state.since, moves),
        "activity": ((state.activity or None) if state is not None else None, moves),
        "next_limit": (None if first is None else first.limit, moves),
        "next_limit_at": (None if first is None else first.at, moves),
    }
    metrics = {NAMES[key]: plain(TANK_METRICS[NAMES[key]], value, time_ms, sure) for key, (value, sure) in told.items()}
    for definition, figure in zip(FIGURES, sheet.figures, strict=True):
        metrics[definition.name] = of_figure(definition, figure, time_ms)
    for key in ("rate", "level_rate"):
        definition = TANK_METRICS[NAMES[key]]
        if state is None:
            metrics[definition.name] = plain(definition, None, time_ms, Quality.BAD)
        else:
            metrics[definition.name] = of_figure(definition, getattr(state, key), time_ms)
    return [metrics[name] for name in TANK_METRICS if name in metrics]


def stale_metrics(time_ms: int) -> list[Metric]:
    """All of a tank of which there is history alone: null and stale."""
    return [
        Metric(definition, None, time_ms, QUALITY_STALE, "Stale", (_ONLY_PAST,)) for definition in TANK_METRICS.values()
    ]


def _of_roof(state: LevelState) -> Quality:
    """As sure as the level that it floats by; where there is none, that is sure."""
    if state.limit is LimitState.UNKNOWN:
        return Quality.BAD
    return Quality.GOOD if state.roof is None else state.quality


def _as_sure(quality: Quality) -> Quality:
    """Of what follows from the rate: what is known of the motion is at best uncertain where the rate is lost."""
    return Quality.GOOD if quality is Quality.GOOD else Quality.UNCERTAIN
