"""What is wrong with the gateway itself, as alarms: lines, destinations, history, clock, site file; and floods."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.reasons import Reason, ReasonCode, because
from gateway.status import DestinationStatus, LedgerStatus, LineStatus
from gateway.tank_record import Event
from gateway.tank_state import AlarmKind, AlarmStanding
from gateway.watch.alarms.commands import AlarmCommand
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.flood import NO_FLOOD, FloodMemory, next_flood
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.alarms.together import apply_to, next_named_alarms
from gateway.watch.plan import AlarmPlan

__all__ = [
    "NO_HOUSE",
    "Found",
    "House",
    "HouseMemory",
    "act_on_house",
    "house_conditions",
    "house_plans",
    "watch_house",
]

_BUFFER_S = 86_400.0
"""With less room than that for what waits, somebody has to see to it today (common practice)."""


_WAITS_S = 600.0
"""What is taken sooner than that does not pile up."""


class HouseMemory(NamedTuple):
    """What the watch of the gateway itself hands on."""

    alarms: Mapping[str, AlarmMemory] = MappingProxyType({})
    flood: FloodMemory = NO_FLOOD


NO_HOUSE = HouseMemory()


class House(NamedTuple):
    """The gateway at one instant."""

    plans: Sequence[AlarmPlan]
    """Each kind once."""
    lines: Sequence[LineStatus]
    """Those that anything is read over."""
    destinations: Sequence[DestinationStatus]
    ledger: LedgerStatus | None
    clock_doubt: bool
    site_file_refused: bool


class Found(NamedTuple):
    """What a look at it brings."""

    standings: tuple[AlarmStanding, ...]
    events: tuple[Event, ...]
    memory: HouseMemory


def house_plans(house: House) -> Mapping[str, AlarmPlan]:
    """Its alarms by their names: one for each line and each destination."""
    subjects = {
        AlarmKind.LINE_LOST: [line.line for line in house.lines],
        AlarmKind.SECOND_MASTER: [line.line for line in house.lines],
        AlarmKind.DESTINATION_LOST: [status.destination for status in house.destinations],
        AlarmKind.HISTORY_AT_RISK: [""] if house.ledger is not None else [],
    }
    return {
        f"{plan.kind}.{subject}" if subject else plan.kind.value: plan
        for plan in house.plans
        for subject in subjects.get(plan.kind, [""])
    }


def watch_house(house: House, heard: Iterable[Event], memory: HouseMemory, instant: datetime, steady_s: float) -> Found:
    """One look more. `heard`: what has happened at the tanks since the last."""
    alarms = next_named_alarms(
        house_plans(house), memory.alarms, house_conditions(house), instant, steady_s, is_told=not house.clock_doubt
    )
    flood, told = next_flood(memory.flood, [*heard, *alarms.events], instant, steady_s)
    return Found(alarms.standings, (*alarms.events, *told), HouseMemory(alarms.memories, flood))


def act_on_house(house: House, memory: HouseMemory, command: AlarmCommand, instant: datetime, steady_s: float) -> Found:
    """After what somebody did to one of its alarms. Raises AlarmRefusedError; then nothing has happened."""
    alarms = apply_to(command, house_plans(house), memory.alarms, instant, steady_s)
    return Found(alarms.standings, alarms.events, memory._replace(alarms=alarms.memories))


def house_conditions(house: House) -> Mapping[str, Condition]:
    """What its alarms are judged by, by their names."""
    found = {f"{AlarmKind.LINE_LOST}.{line.line}": _line(line) for line in house.lines}
    for line in house.lines:
        found[f"{AlarmKind.SECOND_MASTER}.{line.line}"] = _second_master(line)
    for status in house.destinations:
        found[f"{AlarmKind.DESTINATION_LOST}.{status.destination}"] = _destination(status)
    clock = because(ReasonCode.CLOCK_UNTRUSTED, "the clock of this machine says a time that cannot be")
    found[AlarmKind.CLOCK_UNTRUSTED.value] = _holds(clock if house.clock_doubt else None)
    refused = because(ReasonCode.SITE_FILE_REFUSED, "the site file was wrong when it was last read again")
    found[AlarmKind.SITE_FILE_REFUSED.value] = _holds(refused if house.site_file_refused else None)
    if house.ledger is not None:
        found[AlarmKind.HISTORY_AT_RISK.value] = _holds(_risk(house.ledger, house.destinations))
    return found


def _line(line: LineStatus) -> Condition:
    if line.connected:
        return _holds(None)
    return _holds(because(ReasonCode.LINE_LOST, "line {line} is not connected", line=line.line))


def _second_master(line: LineStatus) -> Condition:
    if not line.connected:
        # Whoever asks there now, nobody here hears it.
        return Condition(None)
    if not line.second_master_suspected:
        return _holds(None)
    phrase = "on line {line} frames come that answer no request: somebody else may be asking there"
    return _holds(because(ReasonCode.SECOND_MASTER, phrase, line=line.line))


def _destination(status: DestinationStatus) -> Condition:
    if status.troubles:
        text = status.troubles[0].text
        return _holds(
            because(
                ReasonCode.DESTINATION_LOST, "{destination}: {trouble}", destination=status.destination, trouble=text
            )
        )
    if status.connected:
        return _holds(None)
    return _holds(
        because(ReasonCode.DESTINATION_LOST, "{destination} is not connected", destination=status.destination)
    )


def _risk(ledger: LedgerStatus, destinations: Sequence[DestinationStatus]) -> Reason | None:
    if ledger.trouble is not None:
        return because(ReasonCode.NOT_KEPT, "{trouble}", trouble=ledger.trouble.text)
    for status in destinations:
        history = status.history
        left_s = None if history is None or (history.oldest_s or 0.0) < _WAITS_S else history.buffer_left_s
        if left_s is not None and left_s < _BUFFER_S:
            return because(
                ReasonCode.NOT_KEPT,
                "what waits for {destination} can be kept for {left:duration} more",
                destination=status.destination,
                left=left_s,
            )
    return None


def _holds(reason: Reason | None) -> Condition:
    return Condition(reason is not None, reason=reason)
