"""Pure: one balance as a row: book and gain are those of the figures shown, so that whoever adds up gets the same."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import MappingProxyType

from gateway.account.balance.shown import ShownBalance, shown_balance
from gateway.account.day import Balance
from gateway.account.gauging import MASSES
from gateway.display import printable
from gateway.records import Figure, Quality
from gateway.reports.digits import form_of, in_unit, places_of, rounded
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Kind, Row
from gateway.reports.words import NOT_APPLICABLE, absent_words, reason_texts

__all__ = ["FLOWS", "balance_columns", "balance_row", "basis_words", "is_mass", "shown_of"]

FLOWS = ("receipts", "dispatches", "own_use", "adjustments", "gain", "throughput", "unaccounted")
"""What adds up over days; stocks do not."""
_TITLES = {
    "opening": "Opening",
    "receipts": "Receipts",
    "dispatches": "Dispatches",
    "own_use": "Own use",
    "adjustments": "Adjustments",
    "book": "Book",
    "physical": "Physical",
    "gain": "Gain or loss (−)",
    "throughput": "Throughput",
}
_PERCENT = Column("percent", "Of throughput", Kind.NUMBER, "%", "%")
_BASES = {"gsv": "GSV", "nsv": "NSV", "gov": "GOV", "tov": "TOV", "free_water": "free water"}


def is_mass(measure: str) -> bool:
    return measure in MASSES


def basis_words(measure: str) -> str:
    return _BASES.get(measure, measure.replace("_", " "))


def balance_columns(
    measure: str, plan: ReportPlan, before: Sequence[Column], after: Sequence[Column]
) -> tuple[Column, ...]:
    """Of balances in the unit of `measure`."""
    form = form_of(measure, plan.units)
    numbers = {key: Column(key, title, form.kind, form.unit, form.sign) for key, title in _TITLES.items()}
    ordered = [numbers[key] for key in _TITLES if key != "throughput"]
    uncertainty = Column("uncertainty", "Uncertainty, k = 2", form.kind, form.unit, form.sign)
    return (
        *before,
        Column("basis", "Basis", share=0.0),
        *ordered,
        uncertainty,
        numbers["throughput"],
        _PERCENT,
        Column("unaccounted", "Nobody's movements", form.kind, form.unit, form.sign),
        *after,
        Column("tanks", "Tanks", share=0.0),
        Column("documents", "Documents", Kind.COUNT),
        Column("tickets", "Tickets", Kind.COUNT),
        Column("quality", "Quality", share=2.0),
    )


def shown_of(balance: Balance, plan: ReportPlan) -> ShownBalance:
    """Its figures as every report shows them: all have as many decimals as are known of the largest."""
    measure, units = balance.measure, plan.units
    values = [getattr(balance, name).value for name in _TITLES]
    like = max((abs(value) for value in values if value is not None), default=0.0)
    return shown_balance(balance, places_of(measure, like, units), lambda value: in_unit(measure, value, units))


def balance_row(balance: Balance, plan: ReportPlan, before: Mapping[str, Cell] = MappingProxyType({})) -> Row:
    figures: dict[str, Figure] = {name: getattr(balance, name) for name in _TITLES}
    shown = shown_of(balance, plan)
    numbers: dict[str, Cell] = {**shown._asdict(), "percent": shown.gain_percent}
    absent = {name: absent_words(each) for name, each in figures.items()}
    absent |= {"uncertainty": "not known", "tolerance": "not known", "percent": NOT_APPLICABLE, "unaccounted": ""}
    included, of = balance.tanks
    cells: dict[str, Cell] = {
        **numbers,
        "product": printable(balance.product),
        "basis": basis_words(balance.measure),
        "tanks": f"{included} of {of}",
        "documents": Decimal(balance.documents),
        "tickets": Decimal(balance.tickets),
        "quality": _quality(figures, balance),
        "verdict": _verdict(balance),
        # It adds up with nothing, and what is looked into may be less than a whole unit.
        "tolerance": None if balance.tolerance is None else rounded(balance.measure, balance.tolerance, plan.units),
        **before,
    }
    doubtful = {**figures, **({} if balance.unaccounted is None else {"unaccounted": balance.unaccounted})}
    uncertain = frozenset(name for name, each in doubtful.items() if each.quality is Quality.UNCERTAIN)
    return Row(cells, uncertain, absent)


def _verdict(balance: Balance) -> str:
    """By what is kept, not by what is shown: a hair beyond is beyond."""
    gain, tolerance = balance.gain.value, balance.tolerance
    if gain is None or tolerance is None:
        return "not known"
    return "yes" if abs(gain) <= tolerance else "NO: look into it"


def _quality(figures: Mapping[str, Figure], balance: Balance) -> str:
    worst = max(each.quality for each in figures.values())
    reasons = reason_texts(reason for each in figures.values() for reason in each.reasons)
    included, of = balance.tanks
    parts = [] if included == of else [f"{included} of {of} tanks"]
    if balance.unaccounted is not None:
        parts.append("movements that nobody said what they were are not in the book")
    text = "; ".join((*parts, *reasons))
    estimated = ", estimated" if worst is Quality.UNCERTAIN else ""
    return f"{worst.word}{estimated}: {text}" if text else f"{worst.word}{estimated}"
