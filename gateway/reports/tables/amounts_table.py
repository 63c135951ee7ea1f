"""Pure: the amounts that others measured, as a table: what makes the book."""

from collections.abc import Sequence
from decimal import Decimal

from gateway.account.amount import Amount, AmountKind
from gateway.display import printable
from gateway.reports.digits import quantity_column, rounded
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Group, Kind, Row, Table
from gateway.reports.tables.balance_rows import basis_words, is_mass
from gateway.reports.words import kind_words

__all__ = ["amounts_table"]

_SIGNS = {AmountKind.DISPATCH: -1, AmountKind.OWN_USE: -1}
"""What it does to the book."""


def amounts_table(amounts: Sequence[Amount], plan: ReportPlan) -> Table:
    """In the order of their numbers; one that takes another back undoes what that did to the book."""
    columns = (
        Column("amount", "No.", Kind.COUNT),
        Column("kind", "Kind", share=0.0),
        Column("source", "Measured by", share=0.0),
        Column("product", "Product", share=1.0),
        Column("basis", "Basis", share=0.0),
        quantity_column("gsv", "To the book", plan.units, key="volume"),
        quantity_column("mass", "To the book", plan.units, key="mass"),
        Column("reference", "Document", share=1.0),
        Column("ticket", "Ticket", Kind.COUNT),
        Column("tank", "Tank", share=0.5),
        Column("moved", "Moved", Kind.LOCAL),
        Column("moved_utc", "Moved, UTC", Kind.UTC, on_paper=False),
        Column("entered", "Entered, UTC", Kind.UTC, on_paper=False),
        Column("by", "By", share=1.0),
        Column("why", "Why", share=1.5),
    )
    rows = tuple(_row(each, plan) for each in sorted(amounts, key=lambda each: each.number))
    return Table("Amounts of others", columns, (Group("", rows),), empty="no amount was entered")


def _row(amount: Amount, plan: ReportPlan) -> Row:
    kind = kind_words(amount.kind.value)
    sign = _SIGNS.get(amount.kind, 1)
    if amount.reverses is not None:
        sign = -sign
        kind = f"takes back {amount.reverses}"
    key, name = ("mass", "mass") if is_mass(amount.measure) else ("volume", "gsv")
    cells: dict[str, Cell] = {
        "amount": Decimal(amount.number),
        "kind": kind,
        "source": amount.source.value,
        "product": printable(amount.product),
        "basis": basis_words(amount.measure),
        key: sign * rounded(name, amount.value, plan.units) + 0,
        "reference": printable(amount.reference),
        "ticket": None if amount.ticket is None else Decimal(amount.ticket),
        "tank": printable(amount.tank),
        "moved": amount.instant,
        "moved_utc": amount.instant,
        "entered": amount.entered,
        "by": printable(amount.by),
        "why": printable(amount.why),
    }
    return Row(cells)
