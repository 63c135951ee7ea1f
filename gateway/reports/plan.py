"""Pure: how the reports of a site are written. `gateway.settings` builds it."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["DecimalMark", "PaperSize", "ReportPlan", "ReportUnits", "ThousandsMark"]


class ReportUnits(StrEnum):
    """Which units people read. Records stay SI."""

    METRIC = "metric"
    US = "us"
    """Feet, inches and sixteenths; bbl of 42 US gallons; degF; long tons; degAPI where the reference is 60 degF."""
    IMPERIAL = "imperial"
    """Feet, inches and sixteenths; imperial gallons; degF; long tons."""


class DecimalMark(StrEnum):
    POINT = "point"
    COMMA = "comma"

    @property
    def sign(self) -> str:
        return "." if self is DecimalMark.POINT else ","


class ThousandsMark(StrEnum):
    """Between groups of three digits, on paper."""

    COMMA = "comma"
    POINT = "point"
    SPACE = "space"
    APOSTROPHE = "apostrophe"
    NONE = "none"

    @property
    def sign(self) -> str:
        return _THOUSANDS[self]


_THOUSANDS = {
    ThousandsMark.COMMA: ",",
    ThousandsMark.POINT: ".",
    ThousandsMark.SPACE: "\u00a0",
    ThousandsMark.APOSTROPHE: "\u2019",
    ThousandsMark.NONE: "",
}


class PaperSize(StrEnum):
    A4 = "a4"
    LETTER = "letter"

    @property
    def points(self) -> tuple[float, float]:
        """Width and height upright, in points of 1/72 inch."""
        return (595.28, 841.89) if self is PaperSize.A4 else (612.0, 792.0)


@dataclass(frozen=True, slots=True)
class ReportPlan:
    """Of one site. The CSV form has a point and no thousands whatever stands here."""

    units: ReportUnits = ReportUnits.METRIC
    decimal: DecimalMark = DecimalMark.POINT
    thousands: ThousandsMark = ThousandsMark.COMMA
    paper: PaperSize = PaperSize.A4
