"""Pure: what stands in for a measurement, is in maintenance, or hides an alarm: each with who, until when and why."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from gateway.display import printable
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.words import both_times, kind_words, utc_text

__all__ = ["overrides_report"]

_WHO = (
    Column("by", "By", share=1.0),
    Column("since", "Since", Kind.LOCAL),
    Column("since_utc", "Since, UTC", Kind.UTC, on_paper=False),
    Column("until", "Until", Kind.LOCAL),
    Column("until_utc", "Until, UTC", Kind.UTC, on_paper=False),
)
_WHY = Column("why", "Why", share=2.0)
_VALUES = (
    Column("tank", "Tank", share=1.0),
    Column("what", "What", share=1.0),
    Column("value", "Value", share=0.0),
    Column("state", "State", share=0.0),
    *_WHO,
    _WHY,
    Column("remark", "Remark", share=2.0),
)
_WORKS = (Column("instrument", "Instrument", share=1.0), *_WHO, _WHY)
_ALARMS = (
    Column("tank", "Tank", share=1.0),
    Column("alarm", "Alarm", share=1.0),
    Column("state", "State", share=0.0),
    *_WHO,
    _WHY,
)
_HIDDEN = ("shelved", "suppressed", "out_of_service")
_MAINTENANCE = "maintenance"


def overrides_report(
    site: str, answer: Mapping[str, Any], zone: tzinfo, names: Mapping[str, str], *, simulated: bool = False
) -> Report:
    """`answer`: what the gateway answers to `list` (schema tank-gateway/entries/1). `names`: what can be entered, in
    words. Raises KeyError, TypeError, ValueError for anything else."""
    entries: Sequence[Mapping[str, Any]] = answer["entries"]
    hidden = [each for each in answer["alarms"] if each["phase"] in _HIDDEN]
    values = [_value(each, names) for each in entries if each["quantity"] != _MAINTENANCE]
    works = [_work(each) for each in entries if each["quantity"] == _MAINTENANCE]
    alarms = [_alarm(each) for each in hidden]
    as_of = datetime.fromisoformat(answer["time"]).astimezone(UTC)
    tables = (
        Table("Entered by hand", _VALUES, (Group("", tuple(values)),), empty="nothing is entered"),
        Table("In maintenance", _WORKS, (Group("", tuple(works)),), empty="nothing is in maintenance"),
        Table("Alarms that are hidden", _ALARMS, (Group("", tuple(alarms)),), empty="no alarm is hidden"),
    )
    facts = (
        Fact("As of", both_times(as_of, zone)),
        Fact("In force", f"{len(values)} entered, {len(works)} in maintenance, {len(alarms)} alarms hidden"),
    )
    identity = f"{site} overrides {utc_text(as_of)}"
    return Report("overrides", "Overrides", site, as_of, zone, identity, tables, facts, simulated=simulated)


def _value(each: Mapping[str, Any], names: Mapping[str, str]) -> Row:
    block = each["block"]
    cells: dict[str, Cell] = {
        "tank": printable(each["about"]),
        "what": names[each["quantity"]],
        "value": printable(block.get("value", "")),
        "state": _state(each),
        "remark": printable(each["trouble"] or each["other"] or ""),
        **_who(each["by"], block.get("entered", each["at"]), each["ends"], each["why"]),
    }
    return Row(cells)


def _state(each: Mapping[str, Any]) -> str:
    """What stood in for an instrument does so no longer when it has expired; any other stays in use, Uncertain."""
    state = ("stands in" if each["stands_in"] else "used") if each["used"] else "not used"
    if each["what"] != "expired":
        return state
    return "expired" if each["stands_in"] else f"expired, {state}"


def _work(each: Mapping[str, Any]) -> Row:
    return Row({"instrument": printable(each["about"]), **_who(each["by"], each["at"], each["ends"], each["why"])})


def _alarm(each: Mapping[str, Any]) -> Row:
    cells: dict[str, Cell] = {
        "tank": printable(each["tank"] or "gateway"),
        "alarm": kind_words(printable(each["name"])),
        "state": kind_words(each["phase"]),
        **_who(each["by"], each["since"], each["until"], each["why"]),
    }
    return Row(cells)


def _who(by: str | None, since: str | None, until: str | None, why: str | None) -> dict[str, Cell]:
    begin, end = _instant(since), _instant(until)
    return {
        "by": printable(by or ""),
        "since": begin,
        "since_utc": begin,
        "until": end,
        "until_utc": end,
        "why": printable(why or ""),
    }


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text).astimezone(UTC)
