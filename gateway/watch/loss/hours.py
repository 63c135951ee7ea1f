"""What is seen of a tank within an hour, as sums: all that most sheets add to."""

from typing import NamedTuple

from gateway.plain_form import SteadyTime

__all__ = ["HOUR_S", "Hour", "with_sheet", "without_quantity"]

HOUR_S = 3600.0
_LEAST = 3
_COVERED_S = 1800.0
"""What is seen less often, or within less of the hour, is no mean of it."""


class Hour(NamedTuple):
    """Sums over the sheets of an hour; those of the quantity over sheets that can be relied on, at rest."""

    begun_s: SteadyTime
    first_s: SteadyTime = 0.0
    last_s: SteadyTime = 0.0
    sheets: int = 0
    total: float = 0.0
    """m3 or kg."""
    air_sheets: int = 0
    air_total_c: float = 0.0

    @property
    def quantity(self) -> float | None:
        """Mean in m3 or kg; None: too little of the hour was seen."""
        if self.sheets < _LEAST or self.last_s - self.first_s < _COVERED_S:
            return None
        return self.total / self.sheets

    @property
    def air_c(self) -> float | None:
        """Mean temperature of the air; None: it was not told."""
        return self.air_total_c / self.air_sheets if self.air_sheets else None

    @property
    def middle_s(self) -> float:
        """Steady time that the mean of the quantity stands for."""
        return 0.5 * (self.first_s + self.last_s)


def with_sheet(hour: Hour, now_s: float, quantity: float | None, air_c: float | None) -> Hour:
    """One sheet more. None: it tells nothing of that."""
    begun_s, first_s, last_s, sheets, total, air_sheets, air_total_c = hour
    if quantity is not None:
        if not sheets:
            first_s = now_s
        last_s = now_s
        sheets += 1
        total += quantity
    if air_c is not None:
        air_sheets += 1
        air_total_c += air_c
    return Hour(begun_s, first_s, last_s, sheets, total, air_sheets, air_total_c)


def without_quantity(hour: Hour) -> Hour:
    """What was seen of the tank so far is not of the same rest."""
    if not hour.sheets:
        return hour
    return Hour(hour.begun_s, air_sheets=hour.air_sheets, air_total_c=hour.air_total_c)
