"""What is wrong with the gateway itself, as alarms: lines, destinations, history, clock, site file; and floods."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Any, NamedTuple

from gateway.reasons import Reason, ReasonCode, because
from gateway.status import DestinationStatus, LedgerStatus, LineStatus
from gateway.tank_record import Event
from gateway.tank_state import AlarmKind, AlarmStanding
from gateway.watch.alarms.commands import AlarmCommand
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.flood import NO_FLOOD, FloodMemory, next_flood
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.alarms.together import apply_to, next_named_alarms
from gateway.watch.flaps import NO_FLAP, WINDOW_S, Flap, is_settled, next_flap, share_away, unsettled
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
    flaps: Mapping[str, Flap] = MappingProxyType({})
    """By the names of the alarms of lines and destinations."""


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
    clock_jump_s: float = 0.0
    """How far UTC has jumped against the steady clock without being confirmed, forward above zero."""


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
    flaps = {
        name: next_flap(memory.flaps.get(name, NO_FLAP), is_away, steady_s) for name, is_away in _away(house).items()
    }
    is_told = not house.clock_doubt and house.clock_jump_s == 0.0
    alarms = next_named_alarms(
        house_plans(house), memory.alarms, house_conditions(house, flaps), instant, steady_s, is_told=is_told
    )
    flood, told = next_flood(memory.flood, [*heard, *alarms.events], instant, steady_s)
    return Found(alarms.standings, (*alarms.events, *told), HouseMemory(alarms.memories, flood, flaps))


def act_on_house(house: House, memory: HouseMemory, command: AlarmCommand, instant: datetime, steady_s: float) -> Found:
    """After what somebody did to one of its alarms. Raises AlarmRefusedError; then nothing has happened."""
    alarms = apply_to(command, house_plans(house), memory.alarms, instant, steady_s)
    return Found(alarms.standings, alarms.events, memory._replace(alarms=alarms.memories))


def house_conditions(house: House, flaps: Mapping[str, Flap]) -> Mapping[str, Condition]:
    """What its alarms are judged by, by their names."""
    found = {}
    for line in house.lines:
        name = _line_name(line)
        found[name] = _there(_line(line), ReasonCode.LINE_LOST, f"line {line.line}", flaps.get(name, NO_FLAP))
        found[f"{AlarmKind.SECOND_MASTER}.{line.line}"] = _second_master(line)
    for status in house.destinations:
        name = _destination_name(status)
        flap = flaps.get(name, NO_FLAP)
        found[name] = _there(_destination(status), ReasonCode.DESTINATION_LOST, status.destination, flap)
    found[AlarmKind.CLOCK_UNTRUSTED.value] = _holds(_clock(house))
    refused = because(ReasonCode.SITE_FILE_REFUSED, "the site file was wrong when it was last read again")
    found[AlarmKind.SITE_FILE_REFUSED.value] = _holds(refused if house.site_file_refused else None)
    if house.ledger is not None:
        found[AlarmKind.HISTORY_AT_RISK.value] = _holds(_risk(house.ledger, house.destinations))
    return found


def _clock(house: House) -> Reason | None:
    if house.clock_doubt:
        return because(ReasonCode.CLOCK_UNTRUSTED, "the clock of this machine says a time that cannot be")
    if house.clock_jump_s == 0.0:
        return None
    return because(
        ReasonCode.CLOCK_UNTRUSTED,
        "the clock of this machine went {way} by {jump:duration} at once, and nobody has confirmed it: what people "
        "entered ends as if it had not, and nothing is taken in. Have it synchronised; where it is right, start the "
        "gateway anew",
        way="forward" if house.clock_jump_s > 0.0 else "back",
        jump=abs(house.clock_jump_s),
    )


def _line_name(line: LineStatus) -> str:
    return f"{AlarmKind.LINE_LOST}.{line.line}"


def _destination_name(status: DestinationStatus) -> str:
    return f"{AlarmKind.DESTINATION_LOST}.{status.destination}"


def _away(house: House) -> Mapping[str, bool]:
    lines = {_line_name(line): not line.connected for line in house.lines}
    return lines | {_destination_name(status): _destination(status) is not None for status in house.destinations}


def _there(away: Reason | None, code: ReasonCode, subject: str, flap: Flap) -> Condition:
    """Of what is away, or comes and goes so that nobody can rely on it."""
    if not unsettled(flap):
        return _holds(away)._replace(inside=is_settled(flap))
    given: dict[str, Any] = {"subject": subject, "share": share_away(flap), "window": WINDOW_S}
    phrase = "{subject} comes and goes: it was away for {share:% .0f} of the last {window:duration}"
    if away is None:
        return _holds(because(code, phrase, **given))
    return _holds(because(code, "{comes}; now {away}", comes=because(code, phrase, **given), away=away))


def _line(line: LineStatus) -> Reason | None:
    if line.connected:
        return None
    return because(ReasonCode.LINE_LOST, "line {line} is not connected", line=line.line)


def _second_master(line: LineStatus) -> Condition:
    if not line.connected:
        # Whoever asks there now, nobody here hears it.
        return Condition(None)
    if not line.second_master_suspected:
        return _holds(None)
    phrase = "on line {line} frames come that answer no request: somebody else may be asking there"
    return _holds(because(ReasonCode.SECOND_MASTER, phrase, line=line.line))


def _destination(status: DestinationStatus) -> Reason | None:
    name = status.destination
    if status.troubles:
        text = status.troubles[0].text
        return because(ReasonCode.DESTINATION_LOST, "{destination}: {trouble}", destination=name, trouble=text)
    if status.connected:
        return None
    return because(ReasonCode.DESTINATION_LOST, "{destination} is not connected", destination=name)


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
