"""Pure: inventories, history and events read back from the plain values that `payload` writes."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

import orjson

from gateway.figures import FIGURE_DEFINITIONS
from gateway.history import GATEWAY, Previous
from gateway.records import (
    ElementUse,
    Ending,
    Figure,
    Figures,
    Inventory,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
    because,
)
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.states import LimitState, RoofZone
from gateway.tank_record import Event, EventKind, Identity
from gateway.tank_state import (
    AlarmKind,
    AlarmPhase,
    AlarmStanding,
    LimitTime,
    Motion,
    Priority,
    Stillness,
    TankState,
)

__all__ = ["ToldEvent", "ToldRecord", "event_of", "history_of", "identity_of", "inventory_of", "state_of"]

_UNITS = tuple((definition.name, definition.unit) for definition in FIGURE_DEFINITIONS)
_QUALITIES = {quality.word: quality for quality in Quality}
_CODES = {code.value: code for code in ReasonCode}
_NOT_RECORDED = Figure(None, Quality.GOOD, (because(ReasonCode.NOT_APPLICABLE, "not in the record"),), 0.0)


class ToldRecord(NamedTuple):
    """A record of history, as a message tells it."""

    identity: Identity
    inventory: Inventory
    previous: Previous | None


class ToldEvent(NamedTuple):
    """An event, as a message tells it."""

    identity: Identity
    number: int
    event: Event


def identity_of(payload: Mapping[str, Any]) -> Identity:
    """What a message is known by. Raises KeyError, TypeError or ValueError where it is not well formed."""
    told = payload["identity"]
    tank = GATEWAY if told["tank"] is None else str(told["tank"])
    return Identity(str(told["site"]), tank, str(told["boot"]), int(told["sequence"]))


def history_of(payload: Mapping[str, Any]) -> ToldRecord:
    """What a message of history.json says. Raises what `inventory_of` raises."""
    before = payload["previous"]
    previous = None if before is None else Previous(before["boot"], before["sequence"])
    return ToldRecord(identity_of(payload), inventory_of(payload), previous)


def event_of(payload: Mapping[str, Any]) -> ToldEvent:
    """What a message of event.json says, its time to the millisecond. Raises what `inventory_of` raises."""
    reason = payload["reason"]
    event = Event(
        EventKind(payload["kind"]),
        datetime.fromisoformat(payload["time"]),
        payload["subject"],
        None if reason is None else _reason(reason),
        payload["by"],
        None if payload.get("alarm") is None else _standing(payload["alarm"]),
        "" if payload.get("document") is None else orjson.dumps(payload["document"]).decode(),
    )
    return ToldEvent(identity_of(payload), int(payload["number"]), event)


def inventory_of(payload: Mapping[str, Any]) -> Inventory:
    """The inventory that a message of inventory.json, inventory-version.json or history.json carries, its times to the
    millisecond.

    Raises KeyError, TypeError, ValueError or AttributeError for what is no such message, or of a version to come.
    """
    instant = datetime.fromisoformat(payload["time"])
    figures, last_good = _figures(payload["figures"], instant)
    return Inventory(
        tank=payload["identity"]["tank"],
        product=payload["product"],
        instant=instant,
        figures=figures,
        elements=tuple([_element(each) for each in payload["elements"]]),
        quality=_QUALITIES[payload["quality"]],
        simulated=bool(payload.get("simulated")),
        last_good=last_good,
        sources=_sources(payload.get("sources")),
        level_state=_level_state(payload.get("level_state")),
        endings=tuple(
            [Ending(each["entry"], datetime.fromisoformat(each["expires"])) for each in payload.get("endings", ())]
        ),
        reference_temperature_c=_reference_temperature_c(payload.get("reference_temperature")),
    )


def state_of(payload: Mapping[str, Any]) -> TankState | None:
    """How the tank moves, as the same message tells it; None where it does not. Raises what `inventory_of` raises."""
    told = payload.get("state")
    if told is None:
        return None
    instant = datetime.fromisoformat(payload["time"])
    return TankState(
        Motion(told["motion"]),
        None if told["since"] is None else datetime.fromisoformat(told["since"]),
        _rate(told["rate"], "m3/s", instant),
        _rate(told["level_rate"], "m/s", instant),
        tuple(
            [
                LimitTime(each["limit"], float(each["level"]), float(each["in_s"]), datetime.fromisoformat(each["at"]))
                for each in told["times"]
            ]
        ),
        told["activity"] or "",
        tuple([_standing(each) for each in told["alarms"]]),
        _stillness(told.get("still")),
    )


def _stillness(told: Mapping[str, Any] | None) -> Stillness | None:
    """A record from before it was told has none."""
    if told is None:
        return None
    since = told["since"]
    return Stillness(
        float(told["change"]),
        float(told["band"]),
        bool(told["within"]),
        None if since is None else datetime.fromisoformat(since),
    )


def _rate(told: Mapping[str, Any], unit: str, instant: datetime) -> Figure:
    if told["unit"] != unit:
        raise ValueError(f"a rate is in {told['unit']}, and records are in SI: {unit}")
    value, reason, time = told["value"], told["reason"], told["time"]
    age_s = float("inf") if time is None else (instant - datetime.fromisoformat(time)).total_seconds()
    reasons = () if reason is None else (_reason(reason),)
    return Figure(None if value is None else float(value), _QUALITIES[told["quality"]], reasons, age_s)


def _reference_temperature_c(told: Mapping[str, Any] | None) -> float | None:
    """A record from before it was told has none."""
    if told is None:
        return None
    if told["unit"] != "degC":
        raise ValueError(f"reference_temperature is in {told['unit']}, and records are in degC")
    return float(told["value"])


def _level_state(told: Mapping[str, Any] | None) -> LevelState:
    """A record from before it was told has none."""
    if told is None:
        return LevelState()
    limits = told["limits"]
    return LevelState(
        LimitState(told["limit"]),
        None if told["roof"] is None else RoofZone(told["roof"]),
        _QUALITIES[told["quality"]],
        *[limits[name] for name in ("minimum", "maximum_working", "high_high", "critical_high")],
    )


def _sources(told: Mapping[str, str] | None) -> Sources:
    """A record from before sources were told has none."""
    if told is None:
        return Sources()
    return Sources(
        LevelSource(told["level"]),
        TemperatureSource(told["temperature"]),
        WaterSource(told["water"]),
        DensitySource(told["density"]),
    )


def _figures(given: Mapping[str, Any], instant: datetime) -> tuple[Figures, dict[str, LastGood]]:
    # One sheet has few distinct times, as when it was written.
    ages: dict[str | None, float] = {None: float("inf")}
    figures = []
    last_good: dict[str, LastGood] = {}
    for name, unit in _UNITS:
        told = given.get(name)
        if told is None:
            # A record from before this figure existed.
            figures.append(_NOT_RECORDED)
            continue
        if told["unit"] != unit:
            raise ValueError(f"{name} is in {told['unit']}, and records are in SI: {unit}")
        time, reason, value = told["time"], told["reason"], told["value"]
        age_s = ages.get(time)
        if age_s is None:
            age_s = ages[time] = (instant - datetime.fromisoformat(time)).total_seconds()
        reasons: tuple[Reason, ...] = ()
        if reason is not None:
            reasons = tuple([_reason(each) for each in told["reasons"]]) if "reasons" in told else (_reason(reason),)
        if value is not None:
            # JSON may write 15.0 as 15.
            value = float(value)
        figures.append(Figure(value, _QUALITIES[told["quality"]], reasons, age_s, "manual" in told))
        if "last_good" in told:
            last = told["last_good"]
            last_good[name] = LastGood(float(last["value"]), datetime.fromisoformat(last["time"]).timestamp())
    return Figures(*figures), last_good


def _element(told: Mapping[str, Any]) -> ElementUse:
    value, reason = told["value"], told["reason"]
    return ElementUse(
        float(told["height"]),
        None if value is None else float(value),
        bool(told["used"]),
        float(told["weight"]),
        _QUALITIES[told["quality"]],
        None if reason is None else _reason(reason),
        told.get("submerged"),
    )


def _standing(told: Mapping[str, Any]) -> AlarmStanding:
    return AlarmStanding(
        told["name"],
        AlarmKind(told["kind"]),
        AlarmPhase(told["phase"]),
        Priority(told["priority"]),
        told["active"],
        datetime.fromisoformat(told["since"]),
        None if told["raised"] is None else datetime.fromisoformat(told["raised"]),
        told["value"],
        None if told["reason"] is None else _reason(told["reason"]),
        told["by"],
        None if told["until"] is None else datetime.fromisoformat(told["until"]),
        told["why"],
        told["order"],
    )


def _reason(told: Mapping[str, str]) -> Reason:
    """A payload has the sentence alone: it is the phrase, without values, and so stands as it is."""
    return Reason(_CODES[told["code"]], told["text"])
