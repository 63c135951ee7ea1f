"""Pure: one balance as a row: book and gain are those of the figures shown, so that whoever adds up gets the same."""

from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from gateway.account.day import Balance
from gateway.display import printable
from gateway.records import Figure, Quality
from gateway.reports.digits import form_of, percent_of, rounded, summed
from gateway.reports.numbers import quantity_words
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Kind, Row
from gateway.reports.words import absent_words, reason_texts

__all__ = ["FLOWS", "balance_columns", "balance_row", "basis_words", "is_mass"]

FLOWS = ("receipts", "dispatches", "own_use", "adjustments", "gain", "throughput")
"""What adds up over days; stocks do not."""
_SIGNS = {"opening": 1, "receipts": 1, "dispatches": -1, "own_use": -1, "adjustments": 1}
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
_MASSES = frozenset({"mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass"})
_PERCENT = Column("percent", "Of throughput", Kind.NUMBER, "%", "%")
_BASES = {"gsv": "GSV", "nsv": "NSV", "gov": "GOV", "tov": "TOV", "free_water": "free water"}


class _Shown(NamedTuple):
    cells: dict[str, Cell]
    absent: dict[str, str]


def is_mass(measure: str) -> bool:
    return measure in _MASSES


def basis_words(measure: str) -> str:
    return _BASES.get(measure, measure.replace("_", " "))


def balance_columns(
    measure: str, plan: ReportPlan, before: Sequence[Column], after: Sequence[Column]
) -> tuple[Column, ...]:
    """Of balances in the unit of `measure`."""
    form = form_of(measure, plan.units)
    numbers = {key: Column(key, title, form.kind, form.unit, form.sign) for key, title in _TITLES.items()}
    ordered = [numbers[key] for key in (*_SIGNS, "book", "physical", "gain")]
    uncertainty = Column("uncertainty", "Uncertainty, k = 2", form.kind, form.unit, form.sign)
    return (
        *before,
        Column("basis", "Basis", share=0.0),
        *ordered,
        uncertainty,
        numbers["throughput"],
        _PERCENT,
        *after,
        Column("tanks", "Tanks", share=0.0),
        Column("documents", "Documents", Kind.COUNT),
        Column("tickets", "Tickets", Kind.COUNT),
        Column("quality", "Quality", share=2.0),
    )


def balance_row(balance: Balance, plan: ReportPlan, before: dict[str, Cell] | None = None) -> Row:
    """All figures of a row have as many decimals as are known of the largest."""
    figures: dict[str, Figure] = {name: getattr(balance, name) for name in _TITLES}
    like = max((abs(each.value) for each in figures.values() if each.value is not None), default=0.0)
    cells: dict[str, Cell] = {
        name: rounded(balance.measure, each.value, plan.units, like=like)
        for name, each in figures.items()
        if each.value is not None
    }
    absent = {name: absent_words(each) for name, each in figures.items() if each.value is None}
    notes = _summed_as_shown(balance, figures, cells, plan)
    if balance.uncertainty is not None:
        cells["uncertainty"] = rounded(balance.measure, balance.uncertainty, plan.units, like=like)
    else:
        absent["uncertainty"] = "not known"
    gain, throughput = cells.get("gain"), cells.get("throughput")
    if isinstance(gain, Decimal) and isinstance(throughput, Decimal) and throughput:
        cells["percent"] = percent_of(gain, throughput)
    else:
        absent["percent"] = "n/a"
    included, of = balance.tanks
    cells |= {
        "product": printable(balance.product),
        "basis": basis_words(balance.measure),
        "tanks": f"{included} of {of}",
        "documents": Decimal(balance.documents),
        "tickets": Decimal(balance.tickets),
        "quality": _quality(figures, balance, notes),
        **(before or {}),
    }
    uncertain = frozenset(name for name, each in figures.items() if each.quality is Quality.UNCERTAIN)
    return Row(cells, uncertain, absent)


def _summed_as_shown(
    balance: Balance, figures: dict[str, Figure], cells: dict[str, Cell], plan: ReportPlan
) -> tuple[str, ...]:
    """Puts book, gain and throughput as sums of what is shown into `cells`; gives what does not add up."""
    notes = []
    gain = {"physical": 1, "book": -1}
    for name, parts in (("book", _SIGNS), ("gain", gain), ("throughput", {"dispatches": 1, "own_use": 1})):
        kept, shown = figures[name].value, [cells.get(part) for part in parts]
        numbers = [sign * each for sign, each in zip(parts.values(), shown, strict=True) if isinstance(each, Decimal)]
        if kept is None or len(numbers) < len(parts):
            continue
        total = summed(numbers)
        kept_shown = cells[name]
        # Each of them may be off by half of its last place, and so may the sum.
        last = Decimal(1).scaleb(int(total.as_tuple().exponent))
        if isinstance(kept_shown, Decimal) and abs(total - kept_shown) > last * (len(numbers) + 1) / 2:
            kept_words = quantity_words(balance.measure, kept, plan)
            notes.append(f"{_TITLES[name]} is kept as {kept_words}, which is not what the figures before it add up to")
        else:
            cells[name] = total
    return tuple(notes)


def _quality(figures: dict[str, Figure], balance: Balance, notes: tuple[str, ...]) -> str:
    worst = max(each.quality for each in figures.values())
    reasons = reason_texts(reason for each in figures.values() for reason in each.reasons)
    included, of = balance.tanks
    parts = [] if included == of else [f"{included} of {of} tanks"]
    text = "; ".join((*notes, *parts, *reasons))
    estimated = ", estimated" if worst is Quality.UNCERTAIN else ""
    return f"{worst.word}{estimated}: {text}" if text else f"{worst.word}{estimated}"
