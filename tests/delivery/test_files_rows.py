"""Rows of files, read by Python's own csv module, which is not what wrote them."""

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.delivery.files.rows import EVENTS, RECORDS, line_of, plain_text
from gateway.errors import DeliveryError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.history import KeptEvent, KeptRecord, Previous
from gateway.records import ElementUse, Figure, Inventory, Quality, Reason, ReasonCode
from gateway.tank_record import Event, EventKind, Identity
from gateway.tank_state import AlarmPhase
from tests.support.alarm_events import standing_of
from tests.support.kept_entries import kept_event, kept_record
from tests.support.records import BOOT, NOON, bad, inventories, inventory, record_of

FORMULAS = ("=", "+", "-", "@", "\t")
LISBON = ZoneInfo("Europe/Lisbon")
KNOWN_COLUMNS = Path(__file__).with_name("files_columns.txt")
_UNITS = {"1": "", "m": "_m", "degC": "_degC", "Pa": "_Pa", "m3": "_m3", "kg": "_kg", "kg/m3": "_kg_m3"}
_BY_NAME = {each.name: f"{each.name}{_UNITS[each.unit]}" for each in FIGURE_DEFINITIONS}


def read(*entries: KeptRecord | KeptEvent, zone: ZoneInfo = LISBON) -> list[dict[str, str]]:
    sort = RECORDS if isinstance(entries[0], KeptRecord) else EVENTS
    text = (sort.header + b"".join(line_of(each, zone) for each in entries)).decode()
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def kept(sheet: Inventory) -> KeptRecord:
    return KeptRecord(7, record_of("harbour", BOOT, 3, sheet), Previous("f" * 32, 2))


def test_columns_stay_where_they_are_and_new_ones_come_at_the_end() -> None:
    """Importers go by their places. The file holds those that were ever released: add to it, change nothing in it."""
    known: dict[str, list[str]] = {"records": [], "events": []}
    for line in KNOWN_COLUMNS.read_text("utf-8").splitlines():
        sort, _, name = line.partition(" ")
        known[sort].append(name)
    for each in (RECORDS, EVENTS):
        assert [column.name for column in each.columns] == known[each.name]
        assert each.header == ",".join(known[each.name]).encode() + b"\r\n"


def test_a_record() -> None:
    gsv = Figure(2386.634152759026, Quality.UNCERTAIN, (Reason(ReasonCode.MANUAL, "by hand"),), 3.0, True)
    elements = (
        ElementUse(1.0, 14.1, True, 0.5, Quality.GOOD, None),
        ElementUse(3.5, 14.3, True, 0.5, Quality.GOOD, None),
        ElementUse(6.0, 19.2, False, 0.0, Quality.GOOD, None),
    )
    sheet = inventory("TK-1", gsv=gsv, tov=bad(), elements=elements)._replace(reference_temperature_c=15.0)
    (row,) = read(kept(sheet))
    assert (row["time"], row["local_time"]) == ("2026-03-14T12:00:00.250Z", "2026-03-14T12:00:00.250+00:00")
    assert (row["site"], row["tank"], row["boot"]) == ("harbour", "TK-1", BOOT)
    assert (row["sequence"], row["position"], row["previous_boot"], row["previous_sequence"]) == (
        *("3", "7"),
        *("f" * 32, "2"),
    )
    assert (row["level_m"], row["level_quality"], row["level_reason"]) == ("9.412", "Good", "")
    assert (row["gsv_m3"], row["gsv_quality"], row["gsv_reason"]) == ("2386.634152759026", "Uncertain", "manual")
    assert (row["tov_m3"], row["tov_quality"], row["tov_reason"]) == ("", "Bad", "no_answer")
    assert (row["room_m3"], row["room_quality"], row["room_reason"]) == ("", "", "")
    assert (row["elements_used"], row["manual"], row["quality"]) == ("1 2", "gsv", "Bad")
    assert (row["simulated"], row["reference_temperature_degC"]) == ("false", "15.0")


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    """The end of summer time, 25 October 2026, 01:00 UTC (IANA time zone data base)."""
    times = [datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1)]
    rows = read(*(kept(inventory(instant=time)) for time in times))
    assert [row["local_time"] for row in rows] == ["2026-10-25T01:30:00.000+01:00", "2026-10-25T01:30:00.000+00:00"]
    assert [row["time"] for row in rows] == ["2026-10-25T00:30:00.000Z", "2026-10-25T01:30:00.000Z"]


def test_what_is_not_a_number_is_refused() -> None:
    with pytest.raises(DeliveryError, match="gsv is nan"):
        line_of(kept_record(1, gsv=Figure(float("nan"), Quality.GOOD, (), 0.0)), LISBON)


def test_an_event() -> None:
    reason = Reason(ReasonCode.NO_ANSWER, 'gauge said "no", \r\nthen nothing')
    entry = kept_event(9, EventKind.HISTORY_LOST, "TK,1", 4, number=2, subject="LT-1", reason=reason, by="Ö. Ash")
    (row,) = read(entry)
    assert (row["tank"], row["sequence"], row["position"], row["number"]) == ("TK,1", "4", "9", "2")
    assert (row["kind"], row["subject"], row["reason"], row["by"]) == ("history_lost", "LT-1", "no_answer", "Ö. Ash")
    assert row["text"] == 'gauge said "no",   then nothing'
    assert not any(cell for name, cell in row.items() if name.startswith("alarm_"))
    assert row["document"] == ""
    paper = '{"schema":"tank-gateway/ticket/1","key":"ticket 7","partner":"a,b"}'
    (row,) = read(entry._replace(event=entry.event._replace(document=paper)))
    assert row["document"] == paper


def test_an_event_of_an_alarm_says_how_it_stands_after_it() -> None:
    """Who, when, which phase and what priority; what a person typed is no formula and no second row."""
    standing = standing_of(phase=AlarmPhase.SHELVED, by="=kim", until=NOON)._replace(why="gauge,\r\nchecked")
    event = Event(EventKind.ALARM_SHELVED, NOON, standing.name, by="=kim", standing=standing)
    (row,) = read(kept_event(9, tank="TK-1")._replace(event=event))
    assert {name: cell for name, cell in row.items() if name.startswith("alarm_")} == {
        "alarm_kind": "high_high",
        "alarm_priority": "now",
        "alarm_phase": "shelved",
        "alarm_active": "true",
        "alarm_raised": "2026-03-14T12:00:00.250Z",
        "alarm_value": "13.56",
        "alarm_by": "'=kim",
        "alarm_until": "2026-03-14T12:00:00.250Z",
        "alarm_why": "gauge,  checked",
    }
    broken = event._replace(standing=standing._replace(value=float("nan")))
    with pytest.raises(DeliveryError, match="value of alarm high_high"):
        line_of(kept_event(9, tank="TK-1")._replace(event=broken), LISBON)


@given(sheet=inventories(), position=st.integers(1, 2**60))
def test_whatever_the_sheet_a_reader_gets_what_is_in_it(sheet: Inventory, position: int) -> None:
    entry = KeptRecord(position, record_of("harbour", BOOT, 1, sheet), None)
    data = line_of(entry, LISBON)
    assert (data.count(b"\n"), data.count(b"\r"), data[-2:]) == (1, 1, b"\r\n"), "a row is one line"
    (row,) = read(entry)
    assert None not in row, "no cell too many"
    assert all(value is not None for value in row.values()), "and none too few"
    assert int(row["position"]) == position
    for name, figure in zip(_BY_NAME, sheet.figures, strict=True):
        cell, quality, reason = row[_BY_NAME[name]], row[f"{name}_quality"], row[f"{name}_reason"]
        if figure.quality is Quality.BAD or figure.value is None:
            assert cell == "", "never a stand-in"
        else:
            assert float(cell) == figure.value, "to the last digit"
        if quality == "":
            assert (cell, reason, figure.reasons[0].code) == ("", "", ReasonCode.NOT_APPLICABLE)
        else:
            assert quality == figure.quality.word
            assert reason == (figure.reasons[0].code if figure.reasons else "")
        assert (name in row["manual"].split()) == figure.manual


@given(
    tank=st.text(min_size=1, max_size=12),
    words=st.lists(st.text(max_size=20), min_size=3, max_size=3),
    sequence=st.integers(1, 2**50),
)
def test_whatever_an_event_says_it_is_one_row(tank: str, words: list[str], sequence: int) -> None:
    event = Event(EventKind.GATEWAY_STOPPED, NOON, words[0], Reason(ReasonCode.NO_ANSWER, words[1]), words[2])
    (row,) = read(KeptEvent(1, Identity("harbour", tank, BOOT, sequence), 0, event))
    told = [plain_text(row[name]) for name in ("tank", "subject", "text", "by")]
    ends = str.maketrans("\r\n\0", "   ")
    expected = [each.encode("utf-8", "replace").decode().translate(ends) for each in (tank, *words)]
    assert told == expected
    for cell in row.values():
        assert cell.lstrip()[:1] not in FORMULAS, "no spreadsheet takes it for a formula"
        assert not cell.startswith(FORMULAS), "nor with a tab before it"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-101", "@SUM(A1)", "\t=1", " =1", "\r\n=1", "'=1", "\uff1d1", "'"])
def test_a_text_that_a_spreadsheet_would_run_is_marked_and_numbers_are_not(text: str) -> None:
    """OWASP, CSV Injection: a cell that begins with one of = + - @, a tab or a line end may be run as a formula."""
    (row,) = read(kept_event(9, tank=text, subject=text, by=text))
    shown = text.translate(str.maketrans("\r\n", "  "))
    assert (row["tank"], row["subject"], row["by"]) == (f"'{shown}",) * 3
    assert plain_text(row["tank"]) == shown
    sheet = inventory("TK-1", level=Figure(-0.25, Quality.GOOD, (), 0.0))._replace(product=text)
    (row,) = read(kept(sheet))
    assert (row["level_m"], row["product"]) == ("-0.25", f"'{shown}")
