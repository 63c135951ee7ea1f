"""Recorded inventories read back: the lines an MQTT subscriber or `/inventories` gave, and earlier recalculations."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from gateway.calculation.figure import not_applicable
from gateway.delivery.payload import INVENTORIES_SCHEMA, INVENTORY_SCHEMA, INVENTORY_VERSION_SCHEMA
from gateway.errors import SettingsError, UsageError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.records import (
    ElementUse,
    Ending,
    Figure,
    Figures,
    Inventory,
    InventoryRecord,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
)
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.states import LimitState, RoofZone

__all__ = ["Record", "RecordFile"]

_UNITS = tuple((definition.name, definition.unit) for definition in FIGURE_DEFINITIONS)
_QUALITIES = {quality.word: quality for quality in Quality}
_CODES = {code.value: code for code in ReasonCode}
_NOT_RECORDED = not_applicable("not in the record")


class Record(NamedTuple):
    line: int
    record: InventoryRecord
    version: int
    """0: as it was delivered."""


class RecordFile:
    """The records of one tank in a file, in its order; counts what it passes over."""

    def __init__(self, path: Path, site: str, tank: str) -> None:
        self.path = path
        self._site = site
        self._tank = tank
        self.repeated = 0
        """Records whose identity and version had come already."""
        self.of_others = 0
        """Records of other tanks or sites, and messages that are no inventories."""
        self.superseded = 0
        """Records of which the file holds a later version too."""
        self.cut = False
        """Whether the last line breaks off, as one that is being written does."""
        self._latest: dict[tuple[str, int], int] = {}
        """(boot, sequence) -> the highest version, where that is not 0."""

    def look_through(self) -> int:
        """The highest version in the file. From then on only the latest version of each record is given.

        Raises as iterating does.
        """
        highest = 0
        for found in self:
            if found.version:
                key = found.record.boot, found.record.sequence
                self._latest[key] = max(found.version, self._latest.get(key, 0))
                highest = max(highest, found.version)
        self.repeated = self.of_others = 0
        return highest

    def __iter__(self) -> Iterator[Record]:
        """Raises UsageError where there is no such file, SettingsError for a line that is not understood."""
        seen: dict[tuple[str, int], set[int]] = {}
        try:
            with self.path.open("rb") as lines:
                for number, line in enumerate(lines, start=1):
                    if not line.strip():
                        continue
                    for payload in self._payloads(number, line):
                        found = self._record(number, payload)
                        if found is None:
                            self.of_others += 1
                            continue
                        if found.version < self._latest.get((found.record.boot, found.record.sequence), 0):
                            self.superseded += 1
                            continue
                        sequences = seen.setdefault((found.record.boot, found.version), set())
                        if found.record.sequence in sequences:
                            self.repeated += 1
                            continue
                        sequences.add(found.record.sequence)
                        yield found
        except FileNotFoundError as error:
            raise UsageError(f"there is no file '{self.path}'", "give a file of recorded inventories") from error
        except OSError as error:
            raise UsageError(f"{self.path} cannot be read: {error.strerror or error}") from error

    def _payloads(self, number: int, line: bytes) -> list[Any]:
        # A subscriber may print the topic before the message.
        start = line.find(b"{")
        try:
            document = orjson.loads(line[max(start, 0) :])
        except orjson.JSONDecodeError as error:
            if not line.endswith(b"\n"):
                self.cut = True
                return []
            hint = "write one message a line, as it came"
            raise SettingsError((f"{self.path}:{number}: is not JSON ({error}); {hint}",)) from error
        if isinstance(document, dict) and document.get("schema") == INVENTORIES_SCHEMA:
            inventories = document.get("inventories")
            return inventories if isinstance(inventories, list) else []
        return [document]

    def _record(self, number: int, payload: Any) -> Record | None:
        """The record of the tank that was asked for; None where the message is another."""
        if not isinstance(payload, dict) or payload.get("schema") not in (INVENTORY_SCHEMA, INVENTORY_VERSION_SCHEMA):
            return None
        try:
            identity = payload["identity"]
            if identity["tank"] != self._tank or identity["site"] != self._site:
                return None
            version = int(payload["version"]["number"]) if payload["schema"] == INVENTORY_VERSION_SCHEMA else 0
            record = InventoryRecord(
                identity["site"],
                str(identity["boot"]),
                int(identity["sequence"]),
                _inventory(payload),
                payload.get("valid_for_s"),  # a record from before it was told has none
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            text = f"is no inventory that this version understands ({type(error).__name__}: {error})"
            raise SettingsError((f"{self.path}:{number}: {text}; write messages as they came",)) from error
        return Record(number, record, version)


def _inventory(payload: Mapping[str, Any]) -> Inventory:
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
    )


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


def _reason(told: Mapping[str, str]) -> Reason:
    return Reason(_CODES[told["code"]], told["text"])
