"""Pure: gauges against hand dips, as they were verified: each record on a line."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from gateway.display import printable
from gateway.reports.digits import form_of, rounded
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.words import both_times, kind_words
from gateway.units.quantity import Dimension, to_unit

__all__ = ["DIP_CHECK_SCHEMA", "dip_report"]

DIP_CHECK_SCHEMA = "tank-gateway/dip-check/1"
_CAUTION = (
    "Dipping only with a permit; static and H2S precautions. Offsets, tables and limits are for competent, where "
    "required licensed, people to change."
)
_DIPS = 3


def dip_report(
    site: str,
    documents: Sequence[Mapping[str, Any]],
    span: tuple[datetime, datetime],
    zone: tzinfo,
    plan: ReportPlan,
    *,
    simulated: bool = False,
) -> Report:
    """`documents`: records of `dip-check`. `span`: UTC. Raises KeyError, TypeError, ValueError for anything else."""
    begin, end = span
    length, small = form_of("level", plan.units), _small(plan)
    dips = [Column(f"dip_{n}", f"Dip {n}", length.kind, length.unit, length.sign) for n in range(1, _DIPS + 1)]
    differences = (
        ("spread", "Spread"),
        ("mean_dip", "Mean dip"),
        ("gauge", "Mean gauge"),
        ("difference", "Gauge less dip"),
    )
    columns = (
        Column("tank", "Tank", share=1.0),
        Column("local", "When", Kind.LOCAL),
        Column("utc", "When, UTC", Kind.UTC, on_paper=False),
        *dips,
        *(
            Column(
                key,
                title,
                Kind.NUMBER,
                *((small[0],) * 2 if key in ("spread", "difference") else (_mean(plan)[0],) * 2),
            )
            for key, title in differences
        ),
        Column("tolerance", "Tolerance", share=0.0),
        Column("verdict", "Verdict", share=0.0),
        Column("reason", "Why", share=3.0),
        Column("tape", "Tape", share=0.0),
        Column("by", "By", share=1.0),
        Column("witness", "Witness", share=1.0),
        Column("raw", "Raw words", on_paper=False),
        Column("proposed", "Proposed change of offset", Kind.NUMBER, small[0], small[0], on_paper=False),
    )
    rows = sorted((_row(each, plan) for each in documents), key=_place)
    table = Table("Dip verification", columns, (Group("", tuple(rows)),), empty="no gauge was verified in this span")
    failed = sum(row.cells["verdict"] == "failed" for row in rows)
    facts = (
        Fact("From", both_times(begin, zone)),
        Fact("To", both_times(end, zone)),
        Fact("Verified", f"{len(rows)}, of which {failed} failed"),
    )
    identity = f"{site} dip verification {begin:%Y-%m-%dT%H:%M:%SZ} to {end:%Y-%m-%dT%H:%M:%SZ}"
    report = Report("dips", "Dip verification", site, end, zone, identity, (table,), facts, (_CAUTION,))
    return report._replace(simulated=simulated or any(each["simulated"] for each in documents))


def _mean(plan: ReportPlan) -> tuple[str, int]:
    """Unit and decimals of a mean of three dips."""
    return ("m", 4) if plan.units is ReportUnits.METRIC else ("in", 2)


def _small(plan: ReportPlan) -> tuple[str, int]:
    return ("mm", 1) if plan.units is ReportUnits.METRIC else ("in", 2)


def _row(each: Mapping[str, Any], plan: ReportPlan) -> Row:
    if each["schema"] != DIP_CHECK_SCHEMA:
        raise ValueError(f"it is no '{DIP_CHECK_SCHEMA}'")
    instant = datetime.fromisoformat(each["time"]).astimezone(UTC)
    tolerance = each["tolerance"]
    number, unit = _length(tolerance["metres"], _small(plan)), _small(plan)[0]
    cells: dict[str, Cell] = {
        "tank": printable(each["tank"]),
        "local": instant,
        "utc": instant,
        "spread": _length(each["dip_spread"], _small(plan)),
        "mean_dip": _length(each["mean_dip"], _mean(plan)),
        "gauge": _length(each["mean_gauge"], _mean(plan)),
        "difference": _length(each["difference"], _small(plan)),
        "proposed": _length(each["proposed_offset_change"], _small(plan)),
        "tolerance": f"{printable(tolerance['name'])}, {number:f} {unit}",
        "verdict": kind_words(each["verdict"]),
        "reason": printable(each["why"]),
        "tape": printable(each["tape"]),
        "by": printable(each["by"]),
        "witness": printable(each["witness"]),
        "raw": "; ".join(" ".join(f"{word:04X}" for word in gauge["raw"]) for gauge in each["gauge"]),
    }
    for number_of, dip in enumerate(each["dips"][:_DIPS], start=1):
        cells[f"dip_{number_of}"] = rounded("level", dip, plan.units)
    absent = dict.fromkeys(("gauge", "difference"), "no value")
    return Row(cells, absent=absent)


def _length(metres: float | None, form: tuple[str, int]) -> Decimal | None:
    if metres is None:
        return None
    unit, places = form
    number = Decimal(repr(to_unit(metres, unit, Dimension.LENGTH)))
    return number.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP) + 0


def _place(row: Row) -> tuple[datetime, str]:
    instant, tank = row.cells["utc"], row.cells["tank"]
    if not isinstance(instant, datetime):
        raise TypeError("a record without a time")
    return instant, str(tank)
