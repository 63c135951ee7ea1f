"""Values entered by people: checks their dates and makes ManualValues of them."""

from datetime import datetime, timedelta

from gateway.binding import ManualValue, ends_soon
from gateway.settings.reading.document import Document, KeyPath, Mistakes, dotted
from gateway.settings.tanks.entries import DAYS_OF_A_SAMPLE, DAYS_OF_A_SUBSTITUTE, DatedEntry

__all__ = ["ManualValues"]


class ManualValues:
    """Makes ManualValues, gathering mistakes and warnings. `now` is the time by which an entry has expired or not."""

    def __init__(self, document: Document, mistakes: Mistakes, warnings: list[str], now: datetime) -> None:
        self._document = document
        self._mistakes = mistakes
        self._warnings = warnings
        self._now = now

    def build(
        self,
        entry: DatedEntry,
        value: float,
        path: KeyPath,
        *,
        origin: str,
        substitutes: bool = False,
        sample: bool = False,
        undated_allowed: bool = False,
    ) -> ManualValue | None:
        """None where the dates are wrong. `sample`: a laboratory value, or a dip where no instrument exists."""
        if undated_allowed and entry.entered is None and entry.expires is None:
            return ManualValue(value, substitutes=substitutes, origin=origin)
        if not self._dates_hold(entry, path, DAYS_OF_A_SAMPLE if sample else DAYS_OF_A_SUBSTITUTE):
            return None
        ends = entry.ends
        if ends is not None and ends <= self._now:
            self.warn(path, f"expired on {ends:%Y-%m-%d %H:%M} UTC; enter a new value")
        elif ends is not None and ends_soon(entry.entered, ends, self._now):
            self.warn(path, f"ends on {ends:%Y-%m-%d %H:%M} UTC; enter a new value in time")
        if entry.entered is not None and entry.entered > self._now:
            self.warn((*path, "entered"), f"{entry.entered:%Y-%m-%d %H:%M} UTC lies in the future; see to the clock")
        return ManualValue(value, entry.entered, ends, substitutes, origin)

    def warn(self, path: KeyPath, text: str) -> None:
        self._warnings.append(f"{self._document.place(path)}: {dotted(path)}: {text}")

    def _dates_hold(self, entry: DatedEntry, path: KeyPath, days: int) -> bool:
        if entry.entered is None:
            text = "is missing; give when the value was entered, for example 2026-11-25T06:00Z"
            self._mistakes.add((*path, "entered"), text)
            return False
        ends = entry.ends
        if ends is None:
            text = f"is missing; give when the value ends, at most {days} d after entered, for example 24 h"
            self._mistakes.add((*path, "expires"), text)
            return False
        if ends <= entry.entered:
            text = f"{ends:%Y-%m-%dT%H:%MZ} is not after entered; give a later time, or for example 24 h"
            self._mistakes.add((*path, "expires"), text)
            return False
        if ends - entry.entered > timedelta(days=days):
            written = self._document.text((*path, "expires"))
            text = f"{written} is more than {days} d after entered; give at most {days} d"
            self._mistakes.add((*path, "expires"), text)
            return False
        return True
