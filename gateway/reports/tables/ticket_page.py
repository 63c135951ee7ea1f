"""Pure: one ticket on a page: what was moved, opening and closing of each tank, and whatever has to be known of it."""

from collections.abc import Mapping
from datetime import tzinfo

from gateway.account.gauging import MEASURES, Gauging
from gateway.account.ticket import Ticket, TicketSide
from gateway.display import DEFINITIONS, printable, reference_words
from gateway.records import Quality
from gateway.reports.digits import form_of, rounded
from gateway.reports.numbers import FEET_AND_INCHES, quantity_words
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.tables.scales import Scale, ruler_of_movement
from gateway.reports.tables.ticket_amounts import amount_shown, figure_of, measures_of, side_shown
from gateway.reports.words import (
    absent_words,
    both_times,
    duration_words,
    kind_words,
    quality_text,
    reason_texts,
)

__all__ = ["ticket_report"]

_STATES = (
    "level",
    "water_level",
    "liquid_temperature",
    "vapour_pressure",
    "reference_density",
    "observed_density",
    "ctl",
    "cpl",
    "sediment_water",
)
_SIGNATURES = ("For the site: name, date, signature", "For the other side: name, date, signature")
_AMOUNT = (
    Column("figure", "Amount", share=2.0),
    Column("unit", "Unit", share=0.0),
    Column("amount", "Moved", Kind.NUMBER),
    Column("uncertainty", "Uncertainty, k = 2", Kind.NUMBER),
    Column("planned", "Planned", Kind.NUMBER),
    Column("quality", "Quality", share=3.0),
)
_SIDE = (
    Column("figure", "Figure", share=2.0),
    Column("unit", "Unit", share=0.0),
    Column("opening", "Opening", Kind.NUMBER),
    Column("closing", "Closing", Kind.NUMBER),
    Column("moved", "Moved", Kind.NUMBER),
    Column("quality", "Quality", share=3.0),
)
_MARKS = (
    Column("local", "When", Kind.LOCAL),
    Column("utc", "UTC", Kind.UTC),
    Column("what", "What", share=0.0),
    Column("text", "Meanwhile", share=3.0),
    Column("by", "By", share=1.0),
)


def ticket_report(
    site: str, ticket: Ticket, zone: tzinfo, plan: ReportPlan, scales: Mapping[str, Scale] | None = None
) -> Report:
    title = f"Ticket {ticket.number}: {kind_words(ticket.kind.value)}"
    if ticket.reverses is not None:
        title = f"Ticket {ticket.number}: takes back ticket {ticket.reverses}"
    marks = Table("Meanwhile", _MARKS, (Group("", tuple(_marks(ticket))),), empty="nothing was noted")
    sides = [_side(side, zone, plan, (scales or {}).get(side.tank)) for side in ticket.sides]
    notes = []
    if ticket.reverses is not None:
        notes.append(f"This ticket has the amounts of ticket {ticket.reverses} and takes them back.")
    notes.append("Moved is the difference of the figures shown.")
    return Report(
        "ticket",
        title,
        site,
        ticket.made,
        zone,
        f"{site} ticket {ticket.number}",
        (_amount(ticket, plan), *sides, marks),
        tuple(_facts(ticket, zone, plan)),
        tuple(notes),
        simulated=ticket.simulated,
        is_upright=True,
        signatures=_SIGNATURES,
    )


def _facts(ticket: Ticket, zone: tzinfo, plan: ReportPlan) -> list[Fact]:
    planned = ticket.planned
    given = [
        ("Product", ticket.product),
        ("Other side", ticket.partner),
        ("Reference", ticket.reference),
        ("Owner", ticket.owner),
        ("Began", both_times(ticket.began, zone)),
        ("Ended", both_times(ticket.ended, zone)),
        ("Took", duration_words(ticket.ended - ticket.began)),
        ("Planned to begin", "" if planned.begins is None else both_times(planned.begins, zone)),
        ("Made", f"{both_times(ticket.made, zone)} by {ticket.by or 'the gateway'}"),
        ("Transfer", str(ticket.transfer)),
        ("Takes back", "" if ticket.reverses is None else f"ticket {ticket.reverses}"),
        ("In place of", "" if ticket.replaces is None else f"ticket {ticket.replaces}"),
        ("Why", ticket.why),
        ("Quality", "; ".join((_estimated(ticket.quality), *reason_texts(ticket.reasons)))),
    ]
    return [Fact(name, printable(text)) for name, text in given if text]


def _estimated(quality: Quality) -> str:
    return f"{quality.word}, estimated" if quality is Quality.UNCERTAIN else quality.word


def _amount(ticket: Ticket, plan: ReportPlan) -> Table:
    rows = []
    for name in measures_of(ticket):
        figure, amount = figure_of(ticket.moved, name), amount_shown(ticket, name, plan)
        cells: dict[str, Cell] = {
            **_named(name, plan),
            "amount": amount,
            "quality": quality_text(figure.quality, {}, figure.reasons),
        }
        uncertainty = ticket.uncertainty.get(name)
        if uncertainty is not None:
            cells["uncertainty"] = rounded(name, uncertainty, plan.units, like=figure.value)
        if ticket.planned.amount is not None and ticket.planned.measure == name:
            cells["planned"] = rounded(name, ticket.planned.amount, plan.units, like=figure.value)
        absent = {"amount": absent_words(figure), "uncertainty": "not known"}
        uncertain = frozenset({"amount"} if figure.quality is Quality.UNCERTAIN else ())
        rows.append(Row(cells, uncertain, absent))
    return Table("Amount", _AMOUNT, (Group("", tuple(rows)),), empty="nothing that is measured was moved")


def _side(side: TicketSide, zone: tzinfo, plan: ReportPlan, scale: Scale | None) -> Table:
    opening, closing = side.opening, side.closing
    rows = [_state_row(name, opening, closing, plan) for name in _STATES if _has(name, opening, closing)]
    rows += [_measure_row(name, side, plan) for name in MEASURES if _has(name, opening, closing)]
    notes = (_sheet("Opening", opening, zone), _sheet("Closing", closing, zone))
    ruler = ruler_of_movement(opening, closing, scale, plan)
    title = f"{kind_words(side.direction.value).capitalize()} {printable(side.tank)}"
    return Table(title, _SIDE, (Group("", tuple(rows)),), ruler=ruler, notes=notes)


def _has(name: str, opening: Gauging, closing: Gauging) -> bool:
    """Whether it applies to the tank at all."""
    figures = opening.figures[name], closing.figures[name]
    return any(figure.value is not None or figure.quality is Quality.BAD for figure in figures)


def _sheet(what: str, gauging: Gauging, zone: tzinfo) -> str:
    used, of = gauging.elements
    parts = [f"{what}: sheet of {both_times(gauging.instant, zone)}", kind_words(gauging.motion.value)]
    parts += [f"level by {kind_words(gauging.sources.level.value)}"]
    parts += [f"{used} of {of} temperature elements"] if of else []
    if gauging.reference_temperature_c is not None:
        parts.append(f"standard volumes at {reference_words(gauging.reference_temperature_c)}")
    parts.append(f"record {gauging.boot} {gauging.sequence}, table version {gauging.plan}")
    return ", ".join(parts)


def _state_row(name: str, opening: Gauging, closing: Gauging, plan: ReportPlan) -> Row:
    cells = _named(name, plan)
    absent, uncertain = {}, set()
    is_length = form_of(name, plan.units).kind is Kind.INCHES
    shown = {"unit": FEET_AND_INCHES} if is_length else {}
    for key, gauging in (("opening", opening), ("closing", closing)):
        figure = gauging.figures[name]
        if figure.value is None:
            absent[key] = absent_words(figure)
            continue
        cells[key] = rounded(name, figure.value, plan.units)
        if is_length:
            shown[key] = quantity_words(name, figure.value, plan)
        if figure.quality is Quality.UNCERTAIN:
            uncertain.add(key)
    cells["quality"] = _worse(name, opening, closing)
    return Row(cells, frozenset(uncertain), absent, shown)


def _measure_row(name: str, side: TicketSide, plan: ReportPlan) -> Row:
    numbers, moved = side_shown(side, name, plan), figure_of(side.moved, name)
    cells: dict[str, Cell] = {**_named(name, plan), **numbers._asdict()}
    figures = {"opening": side.opening.figures[name], "closing": side.closing.figures[name], "moved": moved}
    absent = {key: absent_words(figure) for key, figure in figures.items() if cells[key] is None}
    cells["quality"] = quality_text(moved.quality, {}, moved.reasons)
    uncertain = frozenset(key for key, figure in figures.items() if figure.quality is Quality.UNCERTAIN)
    return Row(cells, uncertain, absent)


def _named(name: str, plan: ReportPlan) -> dict[str, Cell]:
    definition = DEFINITIONS[name]
    named = f"{definition.symbol}, {definition.title}" if name in MEASURES else definition.title
    return {"figure": named, "unit": form_of(name, plan.units).sign}


def _worse(name: str, opening: Gauging, closing: Gauging) -> str:
    figures = opening.figures[name], closing.figures[name]
    reasons = [reason for figure in figures if figure.quality for reason in figure.reasons]
    return quality_text(max(figure.quality for figure in figures), {}, reasons)


def _marks(ticket: Ticket) -> list[Row]:
    return [
        Row(
            {
                "local": mark.instant,
                "utc": mark.instant,
                "what": kind_words(mark.kind.value),
                "text": printable(mark.text),
                "by": printable(mark.by),
            }
        )
        for mark in ticket.marks
    ]
