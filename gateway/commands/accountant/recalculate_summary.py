"""What a recalculation changed, counted while it runs."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from gateway.display import DEFINITIONS, NO_VALUE, show_value
from gateway.payload.plain import iso_time
from gateway.records import Figure, Inventory

__all__ = ["Summary"]

_SHOWN = ("gsv", "mass")


class _Change:
    """One figure before and after: at the last record, and where the difference is largest."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.changed = 0
        self.last: tuple[float | None, float | None] = (None, None)
        self.largest: tuple[float, float, float, datetime] | None = None
        """(difference, before, after, when)."""

    def add(self, before: Figure, after: Figure, instant: datetime) -> None:
        self.last = before.value, after.value
        if before.value == after.value:
            return
        self.changed += 1
        if before.value is None or after.value is None:
            return
        difference = after.value - before.value
        if self.largest is None or abs(difference) > abs(self.largest[0]):
            self.largest = difference, before.value, after.value, instant

    def line(self) -> str:
        symbol = DEFINITIONS[self.name].symbol
        before, after = (self._shown(value) for value in self.last)
        records = "record" if self.changed == 1 else "records"
        text = f"{symbol:<4} last {before} before, {after} after; {self.changed:,} {records} changed"
        if self.largest is None:
            return text
        difference, old, new, instant = self.largest
        part = f" ({100.0 * difference / old:+.4f} %)" if old else ""
        number = difference / 1000.0 if self.name == "mass" else difference
        unit = "t" if self.name == "mass" else "m³"
        when = iso_time(instant)
        return f"{text}; largest {number:+.4g} {unit}{part}, {self._shown(old)} to {self._shown(new)} at {when}"

    def _shown(self, value: float | None) -> str:
        return NO_VALUE if value is None else show_value(self.name, value).text

    def document(self) -> dict[str, Any]:
        largest = None
        if self.largest is not None:
            difference, before, after, instant = self.largest
            largest = {"change": difference, "before": before, "after": after, "time": iso_time(instant)}
        return {
            "unit": DEFINITIONS[self.name].unit,
            "last_before": self.last[0],
            "last_after": self.last[1],
            "records_changed": self.changed,
            "largest": largest,
        }


class Summary:
    """Of one run. `version` is the highest number written."""

    def __init__(self) -> None:
        self.records = 0
        self.version = 0
        self._from: datetime | None = None
        self._to: datetime | None = None
        self._qualities = 0
        self._lacking: Counter[str] = Counter()
        self._changes = [_Change(name) for name in _SHOWN]

    def note(self, lacking: Iterable[str]) -> None:
        """What could not be rebuilt of one record."""
        self._lacking.update(lacking)

    def add(self, before: Inventory, after: Inventory, version: int) -> None:
        self.records += 1
        self.version = max(self.version, version)
        instant = before.instant
        self._from = instant if self._from is None else min(self._from, instant)
        self._to = instant if self._to is None else max(self._to, instant)
        self._qualities += before.quality is not after.quality
        for change in self._changes:
            change.add(getattr(before.figures, change.name), getattr(after.figures, change.name), instant)

    def lines(self) -> list[str]:
        covered = "" if self._from is None or self._to is None else f", {iso_time(self._from)} to {iso_time(self._to)}"
        return [
            f"{self.records:,} {'record' if self.records == 1 else 'records'}{covered}",
            *(change.line() for change in self._changes),
            f"quality changed in {self._qualities:,}",
            *(f"not wholly rebuilt in {count:,}: {text}" for text, count in sorted(self._lacking.items())),
        ]

    def document(self) -> dict[str, Any]:
        return {
            "records": self.records,
            "from": None if self._from is None else iso_time(self._from),
            "to": None if self._to is None else iso_time(self._to),
            "figures": {change.name: change.document() for change in self._changes},
            "quality_changed": self._qualities,
            "not_wholly_rebuilt": dict(sorted(self._lacking.items())),
        }
