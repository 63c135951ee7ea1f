"""Pure: numbers as people of the site write them, and as programs do."""

from decimal import Decimal
from fractions import Fraction

from gateway.reports.digits import form_of, rounded
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Kind
from gateway.units.quantity import feet_inches_text
from gateway.units.table import INCH

__all__ = ["FEET_AND_INCHES", "machine_number", "number_words", "quantity_words"]

FEET_AND_INCHES = "ft in"
"""The unit of inches on paper."""
_MINUS = "\u2212"


def machine_number(value: Decimal) -> str:
    """With a point, no thousands and no exponent, whatever the site writes."""
    return f"{value:f}"


def number_words(value: Decimal, plan: ReportPlan, kind: Kind = Kind.NUMBER) -> str:
    """With the marks of the site. Inches become feet, inches and sixteenths."""
    if kind is Kind.INCHES:
        return feet_inches_text(float(Fraction(value) * INCH))
    if kind is Kind.COUNT:
        return machine_number(value)
    plain = f"{abs(value):,f}"
    marks = {",": plan.thousands.sign, ".": plan.decimal.sign}
    text = "".join(marks.get(character, character) for character in plain)
    return _MINUS + text if value < 0 else text


def quantity_words(name: str, value: float, plan: ReportPlan, *, like: float | None = None) -> str:
    """An SI value of the figure called `name` of the sheet, with its unit."""
    form = form_of(name, plan.units)
    text = number_words(rounded(name, value, plan.units, like=like), plan, form.kind)
    return text if form.kind is Kind.INCHES or not form.sign else f"{text} {form.sign}"
