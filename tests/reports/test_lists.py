"""Alarms, overrides, dip verification and changes, each from what is kept of them."""

import json
from datetime import timedelta
from decimal import Decimal

import pytest

from gateway.account.amount import AMOUNT_SCHEMA
from gateway.account.day import DAY_SCHEMA
from gateway.account.ticket import TICKET_SCHEMA
from gateway.account.transfer import TRANSFER_SCHEMA
from gateway.ledger.audit import AuditRow
from gateway.reports.plan import ReportPlan, ReportUnits
from gateway.reports.report import Report
from gateway.reports.tables.alarm_list import alarm_list
from gateway.reports.tables.changes import changes_report
from gateway.reports.tables.dip_checks import dip_report
from gateway.reports.tables.overrides import overrides_report
from gateway.tank_record import Event, EventKind
from tests.reports.every import ANSWER, DIP_CHECK, SPAN, alarm_events, audit_lines
from tests.reports.kept import CLOSE, LONDON, PLAN

NAMES = {"temperature": "temperature by hand", "level": "level by hand"}


def facts(report: Report) -> dict[str, str]:
    return {fact.name: fact.text for fact in report.facts}


def test_each_raising_is_a_line_with_what_became_of_it() -> None:
    report = alarm_list("site", alarm_events(), SPAN, LONDON)
    first, second = report.tables[0].rows
    begin = SPAN[0] + timedelta(hours=2)
    assert (first.cells["raised"], first.cells["acknowledged_utc"]) == (begin, begin + timedelta(seconds=95))
    assert (first.cells["waited"], first.cells["waited_s"]) == ("1 min 35 s", Decimal(95))
    assert (first.cells["lasted"], first.cells["by"]) == ("10 min 00 s", "a.smith")
    assert (second.cells["acknowledged"], second.absent["acknowledged"]) == (None, "not acknowledged")
    assert [row.cells["what"] for row in report.tables[1].rows] == ["shelved"]
    assert facts(report)["Raised"] == "2, 0.1 an hour"
    assert facts(report)["Not acknowledged"] == "1"


@pytest.mark.parametrize(
    ("hides", "shows", "words"),
    [
        (EventKind.ALARM_SUPPRESSED, EventKind.ALARM_UNSUPPRESSED, "suppressed"),
        (EventKind.ALARM_SHELVED, EventKind.ALARM_UNSHELVED, "shelved"),
        (EventKind.ALARM_OUT_OF_SERVICE, EventKind.ALARM_IN_SERVICE, "out of service"),
    ],
)
def test_one_that_was_hidden_is_not_told_as_one_that_goes_on(hides: EventKind, shows: EventKind, words: str) -> None:
    def told(*kinds: EventKind) -> list[str]:
        events = [("TK-1", Event(kind, SPAN[0] + timedelta(hours=n), "minimum")) for n, kind in enumerate(kinds)]
        rows = alarm_list("site", events, SPAN, LONDON).tables[0].rows
        return [row.absent["returned"] for row in rows if row.cells["returned"] is None]

    raised = EventKind.ALARM_RAISED
    assert told(raised) == ["not over"]
    assert told(raised, hides) == [words]
    assert told(raised, hides, shows) == ["not over"]
    assert told(raised, hides, raised) == [words, "not over"], "what it was before is not what it is now"
    assert told(raised, hides, shows, raised) == ["raised anew", "not over"]


def test_what_was_raised_before_the_span_is_not_lost() -> None:
    events = [("TK-1", Event(EventKind.ALARM_RETURNED, SPAN[0], "minimum"))]
    (row,) = alarm_list("site", events, SPAN, LONDON).tables[0].rows
    assert (row.cells["raised"], row.absent["raised"], row.cells["returned"]) == (None, "before this", SPAN[0])


@pytest.mark.parametrize(("every_s", "most"), [(60, 10), (59, 11), (600, 1), (1, 30)])
def test_the_most_within_ten_minutes(every_s: int, most: int) -> None:
    # 30 alarms; ten minutes hold those at 0, 60 .. 540 s, and not that at 600 s.
    events = [
        ("TK-1", Event(EventKind.ALARM_RAISED, SPAN[0] + timedelta(seconds=number * every_s), f"a{number}"))
        for number in range(30)
    ]
    assert facts(alarm_list("site", events, SPAN, LONDON))["Most in 10 min"] == str(most)


def test_other_events_are_no_alarms() -> None:
    events = [("TK-1", Event(EventKind.MOVEMENT_BEGAN, SPAN[0]))]
    report = alarm_list("site", events, SPAN, LONDON)
    assert [table.rows for table in report.tables] == [(), ()]


def test_overrides_are_values_maintenance_and_what_hides_an_alarm() -> None:
    report = overrides_report("site", ANSWER, LONDON, NAMES)
    values, works, hidden = (table.rows for table in report.tables)
    assert [(row.cells["tank"], row.cells["value"], row.cells["state"]) for row in values] == [
        ("TK-103", "39.0 degC", "stands in")
    ]
    assert [(row.cells["instrument"], row.cells["by"], row.cells["why"]) for row in works] == [
        ("LT-102", "d.green", "new wire")
    ]
    # One that only waits for somebody is no override.
    assert [(row.cells["alarm"], row.cells["state"]) for row in hidden] == [("level lost", "shelved")]
    assert values[0].cells["until"] == CLOSE + timedelta(hours=13)


def test_what_has_expired_says_so() -> None:
    expired = {**ANSWER["entries"][0], "what": "expired"}
    kept = {**expired, "quantity": "level", "stands_in": False}
    report = overrides_report("site", {**ANSWER, "entries": [expired, kept]}, LONDON, NAMES)
    assert [row.cells["state"] for row in report.tables[0].rows] == ["expired", "expired, used"]


def test_a_dip_verification_by_hand() -> None:
    (row,) = dip_report("site", [DIP_CHECK], SPAN, LONDON, PLAN).tables[0].rows
    # Dips 9.412, 9.413, 9.411 m: mean 9.412, spread 2 mm; gauge 9.4135: +1.5 mm.
    numbers = ("dip_1", "dip_2", "dip_3", "mean_dip", "gauge", "spread", "difference")
    assert [str(row.cells[key]) for key in numbers] == ["9.412", "9.413", "9.411", "9.4120", "9.4135", "2.0", "1.5"]
    assert (row.cells["verdict"], row.cells["tolerance"]) == ("passed", "fine, 4.0 mm")
    assert (row.cells["raw"], row.cells["tape"], row.cells["witness"]) == ("0001 6FBF", "T-14", "b.jones")


def test_a_dip_verification_in_inches() -> None:
    (row,) = dip_report("site", [DIP_CHECK], SPAN, LONDON, ReportPlan(ReportUnits.US)).tables[0].rows
    # 1.5 mm / 25.4 = 0.059 in; 9.412 m is 370.551 in, 370-9/16 in.
    assert (str(row.cells["difference"]), str(row.cells["dip_1"])) == ("0.06", "370.5625")


def test_a_verification_without_a_gauge_is_told_as_that() -> None:
    lost = {**DIP_CHECK, "mean_gauge": None, "difference": None, "verdict": "invalid", "why": "the gauge was Bad"}
    report = dip_report("site", [lost], SPAN, LONDON, PLAN)
    (row,) = report.tables[0].rows
    assert (row.cells["difference"], row.absent["difference"]) == (None, "no value")
    assert facts(report)["Verified"] == "1, of which 0 failed"


def test_dips_bear_the_caution_of_dipping() -> None:
    assert any("H2S" in note for note in dip_report("site", [], SPAN, LONDON, PLAN).notes)


def test_another_document_is_no_dip_check() -> None:
    with pytest.raises(ValueError, match="tank-gateway/dip-check/1"):
        dip_report("site", [{**DIP_CHECK, "schema": "tank-gateway/dip-check/2"}], SPAN, LONDON, PLAN)


def test_changes_say_who_what_before_after_why() -> None:
    report = changes_report("site", audit_lines(), SPAN, LONDON, newest_hash=bytes(range(32)))
    first, second = report.tables[0].rows
    told = [first.cells[key] for key in ("by", "action", "about", "before", "after", "why")]
    assert told == ["c.brown", "enter", "tank TK-103", "-", "39.0 degC", "elements are out"]
    # What is not ours is told as it is, and not left out.
    assert second.cells["about"] == "not ours"
    assert facts(report)["Newest hash"].startswith("000102")
    assert facts(report)["Trail"].startswith("whole")


def test_a_change_of_the_accounts_says_which_paper_and_how_much() -> None:
    """As they are kept, with digest and all: a person reads which, how it stands, and how much it is."""
    amount = {"schema": AMOUNT_SCHEMA, "key": "amount 2", "value": 1012.1, "measure": "gsv", "sha256": "5f"}
    body = {
        "by": "",
        "asked": {"action": "by itself"},
        "before": [{"schema": TRANSFER_SCHEMA, "key": "transfer 1", "phase": "settling"}],
        "after": [
            {"schema": TRANSFER_SCHEMA, "key": "transfer 1", "phase": "closed", "sha256": "5f"},
            {"schema": TICKET_SCHEMA, "key": "ticket 3", "reverses": 1},
            {"schema": TICKET_SCHEMA, "key": "ticket 4", "replaces": 1},
            amount,
            {**amount, "key": "amount 3", "value": 4200.0, "measure": "total_mass"},
            {**amount, "key": "amount 4", "reverses": 2},
            {"schema": DAY_SCHEMA, "key": "day 2026-06-30 2", "by": "", "quality": 0, "sha256": "5f"},
        ],
    }
    row = AuditRow(3, int(SPAN[0].timestamp()) * 10**9, json.dumps(body), bytes(32))
    (shown,) = changes_report("site", [row], SPAN, LONDON).tables[0].rows
    assert (shown.cells["by"], shown.cells["before"]) == ("the gateway", "transfer 1 settling")
    assert shown.cells["after"] == (
        "transfer 1 closed, ticket 3 takes ticket 1 back, ticket 4 in place of ticket 1, amount 2 1012.1 m3 GSV, "
        "amount 3 4200.0 kg total mass, amount 4 takes amount 2 back 1012.1 m3 GSV, day 2026-06-30 2"
    )


def test_a_broken_trail_says_so_first() -> None:
    report = changes_report("site", audit_lines(), SPAN, LONDON, broken="row 7: it is missing")
    assert facts(report)["Trail"] == "BROKEN: row 7: it is missing"


def test_rows_of_the_ledger_are_taken_as_they_are() -> None:
    row = AuditRow(3, int(SPAN[0].timestamp()) * 10**9, '{"by":"x","asked":{"action":"close-day"}}', bytes(32))
    (shown,) = changes_report("site", [row], SPAN, LONDON).tables[0].rows
    assert (shown.cells["action"], shown.cells["utc"]) == ("close-day", SPAN[0])
