"""Pure: the stock report: what is in every tank at one instant, and what that adds up to by product."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from types import MappingProxyType
from typing import NamedTuple

from gateway.account.day import DayClose, TankAtClose
from gateway.account.gauging import Gauging
from gateway.display import printable, reference_words
from gateway.records import Quality
from gateway.reports.digits import API_COLUMN, api_gravity, quantity_column, rounded
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.tables.owners_table import owners_table
from gateway.reports.tables.scales import Scale, ruler_of
from gateway.reports.tables.tank_words import SHOWN, is_estimate, tank_flags, tank_quality
from gateway.reports.totals import total_of
from gateway.reports.words import (
    NO_VALUE,
    NOT_APPLICABLE,
    absent_words,
    both_times,
)

__all__ = ["StockAt", "stock_of_day", "stock_report"]

_SUMMED = (
    "tov",
    "free_water",
    "gov",
    "gsv",
    "nsv",
    "mass",
    "weight_in_air",
    "pumpable",
    "room",
)
_OF_ALL = ("mass", "weight_in_air")
"""Of different products only masses add up to anything."""


class StockAt(NamedTuple):
    """What a stock report is about."""

    site: str
    instant: datetime
    """UTC."""
    zone: tzinfo
    tanks: Sequence[TankAtClose]
    identity: str
    facts: tuple[Fact, ...] = ()
    simulated: bool = False
    """Of the site. What is simulated on a site that is not counts in no total."""
    scales: Mapping[str, Scale] = MappingProxyType({})
    """By tank: what is known of its limits."""
    versions: Mapping[str, str] = MappingProxyType({})
    """By the plan of a sheet: its capacity table in words. Where none is given the plan itself is named."""


def stock_of_day(
    site: str,
    day: DayClose,
    zone: tzinfo,
    plan: ReportPlan,
    *,
    scales: Mapping[str, Scale] | None = None,
    versions: Mapping[str, str] | None = None,
) -> Report:
    """The closing stock of a day, as one revision has it."""
    facts = [
        Fact("Day", f"{day.day}, revision {day.revision}"),
        Fact("From", both_times(day.begin, zone)),
        Fact("Closed", f"{both_times(day.made, zone)} by {printable(day.by) or 'the gateway'}"),
    ]
    if day.why:
        facts.append(Fact("Why this revision", printable(day.why)))
    identity = f"{site} day {day.day} revision {day.revision}"
    at = StockAt(site, day.end, zone, day.tanks, identity, tuple(facts), day.simulated, scales or {}, versions or {})
    return stock_report(at, plan, title="Closing stock")


def stock_report(at: StockAt, plan: ReportPlan, *, title: str = "Stock") -> Report:
    """One row for each tank, tanks of one product together, with what they add up to."""
    columns = _columns(plan.units)
    by_product: dict[tuple[str, float | None], list[TankAtClose]] = {}
    references = dict(_product(tank) for tank in reversed(at.tanks) if tank.gauging is not None)
    for tank in at.tanks:
        # A tank without a sheet stands with the others of its product.
        key = _product(tank) if tank.gauging is not None else (tank.product, references.get(tank.product))
        by_product.setdefault(key, []).append(tank)
    groups = [
        _group(product, reference_c, tanks, at, plan)
        for (product, reference_c), tanks in sorted(by_product.items(), key=lambda each: (each[0][0] == "", each[0][0]))
    ]
    rows = [row for group in groups for row in group.rows]
    counting = _counting(at, list(at.tanks))
    total = total_of("All products", _OF_ALL, rows, _in_order(counting, groups)) if len(groups) > 1 else None
    table = Table("Stock", columns, tuple(groups), total, empty="there are no tanks")
    return Report(
        "stock",
        title,
        at.site,
        at.instant,
        at.zone,
        at.identity,
        (table, *owners_table(columns, rows, _in_order(counting, groups), _SUMMED)),
        (Fact("As of", both_times(at.instant, at.zone)), *at.facts),
        _notes(at),
        simulated=at.simulated,
    )


def _columns(units: ReportUnits) -> tuple[Column, ...]:
    shown = {name: quantity_column(name, title, units) for name, title in SHOWN}
    density = [shown["reference_density"], *([API_COLUMN] if units is ReportUnits.US else [])]
    before = ("level", "water_level", "liquid_temperature")
    after = [shown[name] for name, _ in SHOWN if name not in before and name != "reference_density"]
    return (
        Column("site", "Site", on_paper=False),
        Column("tank", "Tank", share=1.0),
        Column("product", "Product", on_paper=False),
        Column("owner", "Owner", on_paper=False),
        Column("as_of_local", "As of, local", Kind.LOCAL, on_paper=False),
        Column("as_of_utc", "As of, UTC", Kind.UTC, on_paper=False),
        *(shown[name] for name in before),
        Column("elements", "Elements used", Kind.TEXT, share=0.0),
        *density,
        Column("reference_temperature", "Reference temperature", on_paper=False),
        *after,
        Column("quality", "Quality", share=2.5),
        Column("flags", "Flags", share=1.0),
        Column("table_version", "Table version", on_paper=False),
        Column("record", "Record", on_paper=False),
    )


def _product(tank: TankAtClose) -> tuple[str, float | None]:
    gauging = tank.gauging
    if gauging is None:
        return tank.product, None
    return gauging.product, gauging.reference_temperature_c


def _group(
    product: str, reference_c: float | None, tanks: Sequence[TankAtClose], at: StockAt, plan: ReportPlan
) -> Group:
    rows = tuple(_row(tank, at, plan) for tank in tanks)
    title = printable(product) if product else "No product known"
    if reference_c is not None:
        title += f", standard volumes and reference density at {reference_words(reference_c)}"
    if not product:
        return Group(title, rows)
    counting = [_counts(tank, at) for tank in tanks]
    return Group(title, rows, total_of(f"Total {printable(product)}", _SUMMED, rows, counting))


def _counts(tank: TankAtClose, at: StockAt) -> bool:
    """What is simulated never enters a total of what is real."""
    return at.simulated or tank.gauging is None or not tank.gauging.simulated


def _counting(at: StockAt, tanks: Sequence[TankAtClose]) -> dict[str, bool]:
    return {tank.tank: _counts(tank, at) for tank in tanks}


def _in_order(counting: Mapping[str, bool], groups: Sequence[Group]) -> list[bool]:
    by_shown = {printable(name): counts for name, counts in counting.items()}
    return [by_shown[str(row.cells["tank"])] for group in groups for row in group.rows]


def _row(tank: TankAtClose, at: StockAt, plan: ReportPlan) -> Row:
    gauging = tank.gauging
    cells: dict[str, Cell] = {
        "site": printable(at.site),
        "tank": printable(tank.tank),
        "product": printable(tank.product),
        "owner": printable(tank.owner),
        "flags": ", ".join(tank_flags(tank)),
    }
    if gauging is None:
        cells["quality"] = tank_quality(tank)
        return Row(cells, absent={name: NO_VALUE for name, _ in SHOWN})
    absent, uncertain = {}, set()
    is_doubtful = is_estimate(tank)
    for name, _ in SHOWN:
        figure = gauging.figures[name]
        if figure.value is None:
            absent[name] = absent_words(figure)
            continue
        cells[name] = rounded(name, figure.value, plan.units)
        if figure.quality is not Quality.GOOD or is_doubtful:
            uncertain.add(name)
    density, reference_c = gauging.value("reference_density"), gauging.reference_temperature_c
    cells |= {
        "product": printable(gauging.product),
        "as_of_local": gauging.instant,
        "as_of_utc": gauging.instant,
        "elements": "{} of {}".format(*gauging.elements) if gauging.elements[1] else "",
        "api_gravity": None if density is None else api_gravity(density, reference_c),
        "reference_temperature": "" if reference_c is None else reference_words(reference_c),
        "quality": tank_quality(tank),
        "table_version": at.versions.get(gauging.plan, gauging.plan),
        "record": f"{gauging.boot} {gauging.sequence}",
    }
    if cells["api_gravity"] is None:
        absent["api_gravity"] = NOT_APPLICABLE
    ruler = ruler_of(gauging, at.scales.get(tank.tank), plan)
    return Row(cells, frozenset(uncertain), absent, notes=_paper_notes(tank, gauging, at), ruler=ruler)


def _paper_notes(tank: TankAtClose, gauging: Gauging, at: StockAt) -> tuple[str, ...]:
    sheet = f"sheet of {both_times(gauging.instant, at.zone)}, record {gauging.boot} {gauging.sequence}"
    table = f"table version {at.versions.get(gauging.plan, gauging.plan)}"
    owner = f"owner {printable(tank.owner)}; " if tank.owner else ""
    return (f"{owner}{sheet}; {table}",)


def _notes(at: StockAt) -> tuple[str, ...]:
    notes = ["Sums are those of the figures shown. A figure that is Bad is empty, counts in no total, and is counted."]
    left_out = [tank.tank for tank in at.tanks if not _counts(tank, at)]
    if left_out:
        notes.append(f"Simulated, and in no total: {', '.join(printable(name) for name in left_out)}.")
    if any(tank.gauging is not None and tank.gauging.instant.astimezone(UTC) > at.instant for tank in at.tanks):
        notes.append("A sheet is younger than the instant of this report.")
    return tuple(notes)
