"""In front of the table: whether anything is wrong at this site, and where, before one has read a single row."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.tank_table import TankView, has_no_limits, state_when_last_known
from gateway.display import printable, roof_words
from gateway.records import Quality
from gateway.sentences import duration_words
from gateway.tank_state import AlarmPhase, Priority

__all__ = ["alarm_lines", "client_lines", "summary_lines", "transfer_line"]

_NAMED = 8
_USUAL_WAIT_S = 120.0
"""What waits no longer for its delivery is no backlog: a host of Sparkplug is given 90 s to be known for dead."""


def transfer_line(told: Mapping[str, Any], zone: tzinfo) -> str:
    """Of a transfer that is open. Raises KeyError, TypeError or ValueError for one that is not well formed."""
    since = site_time(datetime.fromisoformat(told["since"]), zone, "%Y-%m-%d %H:%M")
    waits = f"; {told['waits_for']}" if told["waits_for"] else ""
    kind = told["kind"].replace("_", " ")
    tanks = ", ".join(told["tanks"])
    return printable(f"{tanks}: transfer {told['number']}, {kind}, {told['phase']} since {since}{waits}")


def client_lines(document: Mapping[str, Any], zone: tzinfo) -> list[str]:
    """Who reads at which destination and since when; an older gateway does not tell. Raises as `transfer_line` does."""
    return [
        printable(f"{destination['destination']}: {_client(client, zone)}")
        for destination in document.get("destinations", ())
        for client in destination.get("clients", ())
    ]


def _client(told: Mapping[str, Any], zone: tzinfo) -> str:
    since = site_time(datetime.fromisoformat(told["since"]), zone, "%Y-%m-%d %H:%M")
    name = f", {told['name']}," if told["name"] else ""
    refused = f"; {told['refused']}" if told["refused"] else ""
    return f"{told['address']}{name} is connected since {since}{refused}"


def summary_lines(views: Sequence[TankView], document: Mapping[str, Any]) -> list[str]:
    """One line that says that all is well, else a line for each kind of thing that is not. Of tanks that are not live
    it says nothing, and that all is well neither.

    `document`: the answer of /inventories, whose lines, destinations and tanks without a sheet an older gateway leaves
    out. Raises KeyError or TypeError for one that is not well formed.
    """
    beyond = [view.tank for view in views if view.level_state.limit.is_beyond or roof_words(view.level_state)]
    live = [view for view in views if not view.not_live]
    was_beyond = [
        view.tank
        for view in live
        if not view.level_state.limit.is_beyond and state_when_last_known(view).limit.is_beyond
    ]
    bad = [view.tank for view in live if view.quality is Quality.BAD]
    uncertain = [view.tank for view in live if view.quality is Quality.UNCERTAIN]
    lines = [
        *alarm_lines(live, document.get("alarms", ())),
        _of("Beyond a limit, or the roof not afloat", beyond),
        _of("Beyond a limit when the level was last known", was_beyond),
        _of("Bad", bad),
        _of("Uncertain", uncertain),
        _of("No figures yet", document.get("awaited", ())),
        *_connections(document),
    ]
    told = [printable(line) for line in lines if line]
    count = "The only tank is" if len(views) == 1 else f"All {len(views)} tanks are"
    if told or len(live) < len(views):
        return told
    without = [view.tank for view in views if has_no_limits(view)]
    return [f"{count} Good, no level is beyond a limit{_of('; without any limit', without)}."]


def alarm_lines(views: Sequence[TankView], of_gateway: Sequence[Mapping[str, Any]] = ()) -> list[str]:
    """What waits for somebody, by how quickly, and what is hidden; `alarms` tells the rest. `of_gateway`: its own."""
    # What is wrong with a line or a clock is behind what is wrong with many tanks, and only the first are named.
    standing = [
        (f"gateway {each['name']}", AlarmPhase(each["phase"]), Priority(each["priority"])) for each in of_gateway
    ]
    standing += [
        (f"{view.tank} {alarm.name}", alarm.phase, alarm.priority)
        for view in views
        for alarm in (() if view.state is None else view.state.alarms)
    ]
    waiting: dict[Priority, list[str]] = {}
    for name, phase, priority in standing:
        if phase in _WAITS:
            waiting.setdefault(priority, []).append(name)
    hidden = [f"{name} ({phase.replace('_', ' ')})" for name, phase, _ in standing if phase in _HIDDEN]
    lines = [_of(f"Alarms ({priority})", waiting[priority]) for priority in Priority if priority in waiting]
    return [*lines, _of("Alarms that are hidden", hidden)] if hidden else lines


_WAITS = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED)
_HIDDEN = (AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE)


def _of(words: str, names: Iterable[str]) -> str:
    listed = list(names)
    if not listed:
        return ""
    more = f" and {len(listed) - _NAMED} more" if len(listed) > _NAMED else ""
    return f"{words}: {', '.join(listed[:_NAMED])}{more}"


def _connections(document: Mapping[str, Any]) -> list[str]:
    lost = [line["line"] for line in document.get("lines", ()) if not line["connected"]]
    lines = [_of("Line not connected", lost)]
    for destination in document.get("destinations", ()):
        name, history = destination["destination"], destination.get("history")
        records = destination["lost"] + (0 if history is None else history["lost"])
        if not destination["connected"]:
            lines.append(f"{name} is not connected: nobody who reads there sees these figures")
        lines += [f"{name}: {trouble['text']}" for trouble in destination["troubles"]]
        if history is not None:
            lines.append(_backlog(name, history))
        if records:
            lines.append(
                f"{name}: {records:,} {'record' if records == 1 else 'records'} lost since the gateway's start"
            )
    return lines


def _backlog(name: str, history: Mapping[str, Any]) -> str:
    """A line for what waits longer than it does where all is well; else nothing."""
    oldest_s, left_s = history["oldest_s"], history["buffer_left_s"]
    if oldest_s is None or oldest_s < _USUAL_WAIT_S:
        return ""
    waiting = f"{history['waiting']:,} {'entry' if history['waiting'] == 1 else 'entries'} of history"
    room = "" if left_s is None else f"; there is room for {duration_words(left_s)} more"
    verb = "waits" if history["waiting"] == 1 else "wait"
    return f"{name}: {waiting} {verb}, the oldest for {duration_words(oldest_s)}{room}"
