"""How reports are written: from the site file to its frozen plan."""

from typing import Annotated

from pydantic import Field

from gateway.reports.plan import DecimalMark, PaperSize, ReportPlan, ReportUnits, ThousandsMark
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.reading.document import KeyPath
from gateway.settings.reading.fields import Section
from gateway.settings.reading.validation import validate

__all__ = ["ReportsModel", "build_reports"]

_PATH: KeyPath = ("reports",)


class ReportsModel(Section):
    """Units and number format of reports and tickets, for people: the CSV form has a point whatever stands here."""

    units: Annotated[ReportUnits, Field(description="Records and payloads stay SI")] = ReportUnits.METRIC
    decimal: Annotated[DecimalMark, Field(description="Before the decimals, on paper")] = DecimalMark.POINT
    thousands: Annotated[
        ThousandsMark | None, Field(description="On paper; comma beside a decimal point, space beside a decimal comma")
    ] = None
    paper: PaperSize = PaperSize.A4


def build_reports(reading: Reading) -> ReportPlan:
    """The plan of the reports; what is wrong is told, and the defaults stand in its place."""
    if reading.document.node(_PATH) is None:
        return ReportPlan()
    checked = validate(ReportsModel, reading.document, _PATH, reading.mistakes)
    if checked is None or checked.dropped:
        return ReportPlan()
    model = checked.model
    thousands = model.thousands
    if thousands is None:
        thousands = ThousandsMark.COMMA if model.decimal is DecimalMark.POINT else ThousandsMark.SPACE
    if thousands.sign == model.decimal.sign:
        text = f"'{thousands}' is the decimal mark already; give space, apostrophe or none"
        reading.mistakes.add((*_PATH, "thousands"), text)
    return ReportPlan(model.units, model.decimal, thousands, model.paper)
