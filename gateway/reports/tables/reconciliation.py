"""Pure: book against physical: of a day, and of all days of a month."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo
from decimal import Decimal

from gateway.account.amount import Amount
from gateway.account.day import Balance, DayClose
from gateway.account.gauging import Gauging
from gateway.display import printable
from gateway.records import Quality
from gateway.reports.digits import form_of
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.tables.amounts_table import amounts_table
from gateway.reports.tables.balance_rows import FLOWS, balance_columns, balance_row, is_mass, shown_of
from gateway.reports.tables.tank_words import reference_notes, tank_flags, tank_quality
from gateway.reports.totals import total_of
from gateway.reports.words import NO_VALUE, both_times

__all__ = ["day_report", "month_report"]

_SUMS = (
    "Book = opening + receipts - dispatches - own use + adjustments; gain = physical - book; all of the figures shown."
)
_TOLERANCE = (
    "Tolerances are of a month, never of a day. Unless the site says otherwise they are those of 40 CFR 280.43(a), for "
    "underground tanks: 1.0 % of flow-through and 130 US gallons. Which apply is for whoever is responsible to say."
)
_PRODUCT = Column("product", "Product", share=1.0)
_DAY = (Column("day", "Day", share=0.0), Column("revision", "Revision", Kind.COUNT))


def day_report(
    site: str, day: DayClose, zone: tzinfo, plan: ReportPlan, amounts: Sequence[Amount] | None = None
) -> Report:
    """One revision of one day, with the month to its end, and which tanks of its close are less than Good. `amounts`:
    what was entered for the day; None: it is not told."""
    tables = [
        *_tables("Day", day.balances, plan),
        *_month_tables("Month to date", day.month, plan),
        _doubtful(day),
        *(() if amounts is None else (amounts_table(amounts, plan),)),
    ]
    return Report(
        "reconciliation",
        f"Reconciliation of {day.day}",
        site,
        day.end,
        zone,
        f"{site} day {day.day} revision {day.revision}",
        tuple(tables),
        _facts(day, zone),
        (_SUMS, *reference_notes(_gaugings([day])), _TOLERANCE),
        simulated=day.simulated,
    )


def month_report(site: str, month: str, days: Sequence[DayClose], zone: tzinfo, plan: ReportPlan) -> Report:
    """All days of a month that are closed, each by its newest revision, in order. `month`: as `2026-11`.

    Raises ValueError where there is none.
    """
    if not days:
        raise ValueError(f"no day of {month} is closed")
    newest: dict[str, DayClose] = {}
    for day in sorted(days, key=lambda each: (each.day, each.revision)):
        newest[day.day] = day
    ordered = list(newest.values())
    last = ordered[-1]
    tables = [*_month_tables("Month", last.month, plan), *_day_tables(ordered, plan)]
    revisions = ", ".join(f"{day.day} revision {day.revision}" for day in ordered if day.revision > 1)
    facts = (
        Fact("Days", f"{len(ordered)} closed, {ordered[0].day} to {last.day}"),
        Fact("From", both_times(ordered[0].begin, zone)),
        Fact("To", both_times(last.end, zone)),
        Fact("Closed again", revisions or "none"),
    )
    revision = sum(day.revision for day in ordered)
    return Report(
        "reconciliation",
        f"Reconciliation of {month}",
        site,
        last.end,
        zone,
        f"{site} month {month} to {last.day}, {len(ordered)} days, {revision} revisions",
        tuple(tables),
        facts,
        (_SUMS, *reference_notes(_gaugings(ordered)), _TOLERANCE),
        simulated=any(day.simulated for day in ordered),
    )


def _gaugings(days: Iterable[DayClose]) -> Iterator[Gauging]:
    return (tank.gauging for day in days for tank in day.tanks if tank.gauging is not None)


def _doubtful(day: DayClose) -> Table:
    """Whoever posts the figures looks at these first."""
    columns = (
        Column("tank", "Tank", share=1.0),
        Column("product", "Product", share=1.0),
        Column("as_of", "Sheet of", Kind.LOCAL),
        Column("as_of_utc", "Sheet of, UTC", Kind.UTC),
        Column("flags", "Flags", share=1.0),
        Column("quality", "Quality", share=3.0),
    )
    rows = []
    for tank in day.tanks:
        flags, quality = tank_flags(tank), tank_quality(tank)
        if quality == Quality.GOOD.word and not flags:
            continue
        instant = None if tank.gauging is None else tank.gauging.instant
        cells: dict[str, Cell] = {
            "tank": printable(tank.tank),
            "product": printable(tank.product if tank.gauging is None else tank.gauging.product),
            "as_of": instant,
            "as_of_utc": instant,
            "flags": ", ".join(flags),
            "quality": quality,
        }
        rows.append(Row(cells, absent={"as_of": NO_VALUE, "as_of_utc": NO_VALUE}))
    empty = "every tank was Good and at rest"
    return Table("Tanks to look at", columns, (Group("", tuple(rows)),), empty=empty)


def _facts(day: DayClose, zone: tzinfo) -> tuple[Fact, ...]:
    hours = (day.end - day.begin).total_seconds() / 3600.0
    facts = [
        Fact("Day", f"{day.day}, revision {day.revision}, {hours:g} h"),
        Fact("From", both_times(day.begin, zone)),
        Fact("To", both_times(day.end, zone)),
        Fact("Closed", f"{both_times(day.made, zone)} by {printable(day.by) or 'the gateway'}"),
    ]
    if day.why:
        facts.append(Fact("Why this revision", printable(day.why)))
    return tuple(facts)


def _split(balances: Iterable[Balance]) -> list[tuple[str, list[Balance]]]:
    """Volumes and masses apart: a table has one unit."""
    found: dict[bool, list[Balance]] = {}
    for balance in balances:
        found.setdefault(is_mass(balance.measure), []).append(balance)
    return [("masses" if mass else "volumes", each) for mass, each in sorted(found.items())]


def _tables(title: str, balances: Sequence[Balance], plan: ReportPlan) -> list[Table]:
    if not balances:
        return [Table(title, (_PRODUCT,), (), empty="no product has a balance")]
    return [
        Table(
            f"{title}, {what}",
            balance_columns(each[0].measure, plan, (_PRODUCT,), ()),
            (Group("", tuple(balance_row(balance, plan) for balance in each)),),
        )
        for what, each in _split(balances)
    ]


def _month_tables(title: str, balances: Sequence[Balance], plan: ReportPlan) -> list[Table]:
    if not balances:
        return [Table(title, (_PRODUCT,), (), empty="no product has a balance")]
    tables = []
    for what, each in _split(balances):
        form = form_of(each[0].measure, plan.units)
        after = (
            Column("tolerance", "Tolerance", form.kind, form.unit, form.sign),
            Column("verdict", "Within tolerance", share=0.0),
        )
        columns = balance_columns(each[0].measure, plan, (_PRODUCT,), after)
        tables.append(Table(f"{title}, {what}", columns, (Group("", tuple(balance_row(one, plan) for one in each)),)))
    return tables


def _day_tables(days: Sequence[DayClose], plan: ReportPlan) -> list[Table]:
    """The days of each product, with what adds up over them."""
    tables = []
    of_kind: dict[bool, dict[str, list[tuple[DayClose, Balance]]]] = {}
    for day in days:
        for balance in day.balances:
            of_kind.setdefault(is_mass(balance.measure), {}).setdefault(balance.product, []).append((day, balance))
    for mass, products in sorted(of_kind.items()):
        measure = next(iter(products.values()))[0][1].measure
        columns = balance_columns(measure, plan, (*_DAY, _PRODUCT._replace(on_paper=False)), (_to_date(measure, plan),))
        groups = []
        for product, each in sorted(products.items()):
            rows = tuple(_day_row(day, balance, plan) for day, balance in each)
            shown = printable(product)
            groups.append(Group(shown, rows, total_of(f"Total {shown}", FLOWS, rows)))
        tables.append(Table("Days, masses" if mass else "Days, volumes", columns, tuple(groups)))
    return tables


def _to_date(measure: str, plan: ReportPlan) -> Column:
    form = form_of(measure, plan.units)
    return Column("month_gain", "Gain of month to date", form.kind, form.unit, form.sign)


def _day_row(day: DayClose, balance: Balance, plan: ReportPlan) -> Row:
    month = next((each for each in day.month if each.product == balance.product), None)
    cells: dict[str, Cell] = {"day": day.day, "revision": Decimal(day.revision)}
    gain = None if month is None or month.measure != balance.measure else shown_of(month, plan).gain
    if gain is not None:
        cells["month_gain"] = gain
    row = balance_row(balance, plan, cells)
    return row if "month_gain" in cells else row._replace(absent={**row.absent, "month_gain": "no value"})
