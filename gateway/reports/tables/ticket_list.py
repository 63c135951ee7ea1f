"""Pure: tickets of a span, each on a line; one that takes another back stands there with its minus."""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal

from gateway.account.ticket import Ticket
from gateway.display import printable
from gateway.records import Quality
from gateway.reports.digits import quantity_column
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.tables.tank_words import reference_notes
from gateway.reports.tables.ticket_amounts import amount_shown, figure_of
from gateway.reports.totals import total_of
from gateway.reports.words import absent_words, both_times, kind_words, reason_texts

__all__ = ["ticket_list"]

_AMOUNTS = (
    ("tov", "TOV"),
    ("gov", "GOV"),
    ("gsv", "GSV"),
    ("nsv", "NSV"),
    ("mass", "Mass"),
    ("weight_in_air", "Weight in air"),
)


def ticket_list(
    site: str,
    tickets: Sequence[Ticket],
    span: tuple[datetime, datetime],
    zone: tzinfo,
    plan: ReportPlan,
    *,
    simulated: bool = False,
) -> Report:
    """`span`: UTC, of the instants when they ended. Tickets of one kind and product are added up."""
    begin, end = span
    taken = {ticket.reverses: ticket.number for ticket in tickets if ticket.reverses is not None}
    groups: dict[tuple[str, str], list[Ticket]] = {}
    for ticket in sorted(tickets, key=lambda each: each.number):
        groups.setdefault((ticket.product, ticket.kind.value), []).append(ticket)
    columns = (
        Column("ticket", "Ticket", Kind.COUNT),
        Column("kind", "Kind", on_paper=False),
        Column("product", "Product", on_paper=False),
        Column("tanks", "Tanks", share=1.0),
        Column("partner", "Other side", share=1.5),
        Column("reference", "Reference", share=1.0),
        Column("owner", "Owner", share=1.0),
        Column("began", "Began, UTC", Kind.UTC),
        Column("ended", "Ended, UTC", Kind.UTC),
        Column("ended_local", "Ended", Kind.LOCAL),
        *(quantity_column(name, title, plan.units) for name, title in _AMOUNTS),
        Column("quality", "Quality", share=2.0),
        Column("by", "By", on_paper=False),
        Column("made", "Made, UTC", Kind.UTC, on_paper=False),
        Column("reverses", "Takes back", Kind.COUNT, on_paper=False),
        Column("replaces", "In place of", Kind.COUNT, on_paper=False),
    )
    table = Table("Tickets", columns, tuple(_group(*key, each, plan, taken) for key, each in sorted(groups.items())))
    return Report(
        "tickets",
        "Tickets",
        site,
        end,
        zone,
        f"{site} tickets {begin:%Y-%m-%dT%H:%M:%SZ} to {end:%Y-%m-%dT%H:%M:%SZ}",
        (table._replace(empty="no ticket in this span"),),
        (Fact("From", both_times(begin, zone)), Fact("To", both_times(end, zone))),
        (
            "A ticket that takes another back counts with a minus: together they are nothing.",
            *reference_notes(side.closing for ticket in tickets for side in ticket.sides),
        ),
        simulated=simulated or any(ticket.simulated for ticket in tickets),
    )


def _group(product: str, kind: str, tickets: Sequence[Ticket], plan: ReportPlan, taken: Mapping[int, int]) -> Group:
    rows = tuple(_row(ticket, plan, taken.get(ticket.number)) for ticket in tickets)
    title = f"{printable(product)}, {kind_words(kind)}"
    return Group(title, rows, total_of(f"Total {title}", [name for name, _ in _AMOUNTS], rows))


def _row(ticket: Ticket, plan: ReportPlan, taken_by: int | None) -> Row:
    """`taken_by`: number of the ticket that takes it back; it lies in the same span, as it has the same end."""
    cells: dict[str, Cell] = {
        "ticket": Decimal(ticket.number),
        "kind": kind_words(ticket.kind.value),
        "product": printable(ticket.product),
        "tanks": ", ".join(f"{kind_words(side.direction.value)} {printable(side.tank)}" for side in ticket.sides),
        "partner": printable(ticket.partner),
        "reference": printable(ticket.reference),
        "owner": printable(ticket.owner),
        "began": ticket.began,
        "ended": ticket.ended,
        "ended_local": ticket.ended,
        "quality": _quality(ticket, taken_by),
        "by": printable(ticket.by),
        "made": ticket.made,
        "reverses": None if ticket.reverses is None else Decimal(ticket.reverses),
        "replaces": None if ticket.replaces is None else Decimal(ticket.replaces),
    }
    absent, uncertain = {}, set()
    for name, _ in _AMOUNTS:
        amount = amount_shown(ticket, name, plan)
        if amount is None:
            absent[name] = absent_words(figure_of(ticket.moved, name))
            continue
        cells[name] = amount if ticket.reverses is None else 0 - amount
        if figure_of(ticket.moved, name).quality is Quality.UNCERTAIN:
            uncertain.add(name)
    return Row(cells, frozenset(uncertain), absent)


def _quality(ticket: Ticket, taken_by: int | None) -> str:
    words = [ticket.quality.word]
    words += [] if taken_by is None else [f"TAKEN BACK by ticket {taken_by}"]
    words += ["SIMULATED"] if ticket.simulated else []
    words += [] if ticket.reverses is None else [f"takes back ticket {ticket.reverses}"]
    words += [] if ticket.replaces is None else [f"in place of ticket {ticket.replaces}"]
    return "; ".join((*words, *reason_texts(ticket.reasons)))
