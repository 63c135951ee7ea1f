"""`tank-gateway ledger`: on files that a real ledger has written, also while it writes."""

import csv
import os
import sqlite3
import stat
from datetime import datetime
from io import StringIO
from pathlib import Path

import orjson
import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.commands.demonstration.site import load_demo
from gateway.commands.service.ledger_file import time_of
from gateway.ledger import room
from gateway.ledger.audit import adding
from gateway.ledger.codec import packed
from gateway.ledger.copied import last_copy
from gateway.ledger.ledger import Ledger
from gateway.ledger.store import NEWEST
from gateway.plan_id import plan_text
from gateway.records import Figure, Input, Quality, TankInput
from gateway.resources import config_path
from gateway.tank_record import Identity, TankRecord
from tests.commands.typed import typed
from tests.support.ledger_store import BEGIN, BOOTS, SITE, Stand, rows_in, until

Capture = pytest.CaptureFixture[str]
RECORDS = 40


def filled(ledger: Ledger, stand: Stand, records: int = RECORDS) -> None:
    """Of two tanks in turn, one each 10 s."""
    for number in range(records):
        stand.seconds = number * 10.0
        ledger.offer(stand.record(f"TK-{number % 2 + 1}"))
    until(lambda: len(rows_in(stand.file)) >= records + 1)


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    """A ledger of a gateway that has ended: 40 records, its start and its end."""
    made = Stand(tmp_path)
    ledger = made.open()
    filled(ledger, made)
    ledger.outbox("office")
    ledger.transactions.do(adding(made.utc_ns(), "a person did something")).result(20)
    assert ledger.close(20)
    return made


def change(stand: Stand, statement: str, *values: object) -> None:
    connection = sqlite3.connect(stand.file, isolation_level=None)
    connection.execute(statement, values)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    connection.close()


def test_check_says_what_is_in_it(capsys: Capture, stand: Stand) -> None:
    said = typed(capsys, "ledger", "check", str(stand.file))
    assert said.code == 0, said
    assert f"ledger of site {SITE}, schema {NEWEST}" in said.out
    assert "40 records of 2 tanks, 2 events" in said.out
    document = typed(capsys, "ledger", "check", str(stand.file), "--json").document
    assert (document["records"], document["events"], document["audit"], document["tanks"]) == (
        40,
        2,
        1,
        ["TK-1", "TK-2"],
    )
    # All that is kept waits for the office, which has never come: 40 records and 2 events.
    (office,) = document["destinations"]
    assert (office["destination"], office["waiting"], office["lost"]) == ("office", 42, 0)
    assert document["last_start"]["clean"] is True
    assert document["oldest"] == "2026-11-28T06:00:00.000Z"


def test_check_of_a_running_gateway_and_of_one_that_lost_entries(capsys: Capture, tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    filled(ledger, stand)
    said = typed(capsys, "ledger", "check", str(stand.file))
    assert said.code == 0
    assert "and runs, or broke off" in said.out
    ledger.outbox("office")
    until(lambda: len(rows_in(stand.file, "SELECT * FROM cursors")) == 1)
    ledger.close(20)
    change(stand, "UPDATE cursors SET lost = 7")
    said = typed(capsys, "ledger", "check", str(stand.file))
    assert said.code == 1
    assert "wrong: office will never get 7 entries, and loses more" in said.out


def test_check_notes_a_loss_that_is_past_and_is_well(capsys: Capture, stand: Stand) -> None:
    """Seven were lost once, and the office has got some of those behind them; the disk took 3 not in, in a run that has
    ended. It must not be wrong for ever: a person would no longer look."""
    change(stand, "UPDATE cursors SET lost = 7, position = 12")
    change(stand, "UPDATE boots SET lost = 3")
    said = typed(capsys, "ledger", "check", str(stand.file))
    assert said.code == 0
    assert "note: office will never get 7 entries: they went before they had arrived" in said.out
    assert "note: 3 entries were lost in the last run: the disk did not take them in" in said.out
    document = typed(capsys, "ledger", "check", str(stand.file), "--json").document
    assert (document["well"], len(document["wrong"]), len(document["notes"])) == (True, 0, 2)
    assert document["destinations"][0]["loses"] is False


def test_check_says_whether_a_destination_still_loses(capsys: Capture, stand: Stand) -> None:
    """Of 42 entries the first ten are forced out, as it happens where there is no room: then it stands where history
    begins. It has got one of those behind them, and has gone on."""
    change(stand, "UPDATE cursors SET lost = 10, position = 10")
    change(stand, "DELETE FROM history WHERE position <= 10")
    assert typed(capsys, "ledger", "check", str(stand.file)).code == 1
    change(stand, "UPDATE cursors SET position = 11")
    assert typed(capsys, "ledger", "check", str(stand.file)).code == 0
    # It has all there is: there is nothing to lose.
    change(stand, "UPDATE cursors SET position = 42")
    change(stand, "DELETE FROM history")
    assert typed(capsys, "ledger", "check", str(stand.file)).code == 0


def test_a_site_file_leads_to_its_ledger(capsys: Capture, stand: Stand, tmp_path: Path) -> None:
    site = tmp_path / "site.yaml"
    text = config_path("one_tank.yaml").read_text("utf-8")
    site.write_text(f"{text}\nledger: {{file: north.ledger}}\n", "utf-8")
    said = typed(capsys, "ledger", "check", str(site))
    assert said.code == 0, said
    assert str(stand.file) in said.out


def test_check_notes_what_there_is_no_room_for(
    capsys: Capture, stand: Stand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One tank each second for 720 h: 2,592,000 records of 700 B are 1.8 GB, and 900 MB are full after half of that.
    The disk has room for 500 MB more than the file has already."""
    monkeypatch.setattr(room, "free_bytes", lambda folder: 500_000_000)
    site = tmp_path / "site.yaml"
    text = config_path("one_tank.yaml").read_text("utf-8")
    ledger = "ledger: {file: north.ledger, every: 1 s, keep: 720 h, largest: 900 MB}"
    site.write_text(f"{text}\n{ledger}\n", "utf-8")
    keep = (
        "`keep` of 720 h for one tank every 1 s are 2,592,000 records, about 1.8 GB, and `largest` is 900 MB: that is"
        " full after 357.1 h"
    )
    there = stand.file.stat().st_size
    disk = (
        f"`largest` is 900 MB, and the disk of {stand.file} has room for {500 + there / 1e6:.0f} MB, with what is there"
    )
    said = typed(capsys, "ledger", "check", str(site))
    assert said.code == 0, said
    assert f"note: {keep}\n" in said.out
    assert f"note: {disk}" in said.out
    said = typed(capsys, "check", str(site))
    assert said.code == 0, said
    assert f"warning: {site}: ledger: {keep}\n" in said.out
    assert f"warning: {site}: ledger: {disk}" in said.out
    # With room for all of it nothing is said.
    site.write_text(f"{text}\nledger: {{file: north.ledger, largest: 100 MB}}\n", "utf-8")
    assert "note: " not in typed(capsys, "ledger", "check", str(site)).out
    assert "ledger: " not in typed(capsys, "check", str(site)).out


def test_export_as_csv_is_the_records_of_that_span(capsys: Capture, stand: Stand) -> None:
    """Records each 10 s from 06:00:00: from 06:01 until 06:02 there are six, three of them of TK-1."""
    span = ("--from", "2026-11-28T06:01", "--until", "2026-11-28T07:02+01:00")
    rows = list(csv.DictReader(StringIO(typed(capsys, "ledger", "export", str(stand.file), *span).out)))
    assert [row["sequence"] for row in rows] == ["4", "4", "5", "5", "6", "6"]
    assert {row["tank"] for row in rows} == {"TK-1", "TK-2"}
    assert rows[0]["time"] == "2026-11-28T06:01:00.000Z"
    assert float(rows[0]["level_m"]) == 1.004
    only = typed(capsys, "ledger", "export", str(stand.file), *span, "--tank", "TK-1").out
    assert [row["tank"] for row in csv.DictReader(StringIO(only))] == ["TK-1"] * 3


def test_export_as_json_lines_is_what_destinations_get(capsys: Capture, stand: Stand) -> None:
    said = typed(capsys, "ledger", "export", str(stand.file), "--format", "jsonl", "--tank", "TK-2")
    messages = [orjson.loads(line) for line in said.out.splitlines()]
    assert len(messages) == 20
    assert {message["schema"] for message in messages} == {"tank-gateway/history/1"}
    assert messages[0]["previous"] is None
    assert [message["previous"]["sequence"] for message in messages[1:]] == list(range(1, 20))
    events = typed(capsys, "ledger", "export", str(stand.file), "--format", "jsonl", "--events").out.splitlines()
    assert [orjson.loads(line)["kind"] for line in events] == ["gateway_started", "gateway_stopped"]


def test_export_to_a_file_is_whole_and_replaces_none(capsys: Capture, stand: Stand, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    said = typed(capsys, "ledger", "export", str(stand.file), "--out", str(out))
    assert (said.code, said.out) == (0, "")
    assert said.err == f"tank-gateway: 40 records in {out}\n"
    assert len(out.read_text("utf-8").splitlines()) == 41
    said = typed(capsys, "ledger", "export", str(stand.file), "--out", str(out))
    assert said.code == 2
    assert "exists already" in said.err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--from", "2026-11-29", "--until", "2026-11-28"), "is not after --from 2026-11-29"),
        (("--from", "2026-11-28", "--until", "2026-11-28"), "is not after"),
        (("--from", "yesterday"), "--from: 'yesterday' is not a time"),
        (("--tank", "TK-9"), "has nothing of tank 'TK-9'\n  hint: its tanks: TK-1, TK-2"),
    ],
)
def test_export_refuses_what_makes_no_sense(capsys: Capture, stand: Stand, options: tuple[str, ...], says: str) -> None:
    said = typed(capsys, "ledger", "export", str(stand.file), *options)
    assert said.code == 2
    assert says in said.err
    assert said.out == ""


def test_a_damaged_entry_is_left_out_and_said(capsys: Capture, stand: Stand) -> None:
    change(stand, "UPDATE history SET body = x'00' WHERE position = 5")
    said = typed(capsys, "ledger", "export", str(stand.file))
    assert said.code == 1
    assert "1 records cannot be read and are left out, the first at position 5" in said.err
    assert len(said.out.splitlines()) == 40
    said = typed(capsys, "ledger", "verify", str(stand.file))
    assert said.code == 1
    assert "position 5: it is damaged" in said.out


@pytest.mark.parametrize("kind", ["csv", "jsonl"])
def test_a_record_that_no_destination_gets_keeps_none_behind_it_back(
    capsys: Capture, tmp_path: Path, kind: str
) -> None:
    """One with a number that is none, by a mistake of ours: two others stand around it."""
    stand = Stand(tmp_path)
    ledger = stand.open()
    for number in range(3):
        stand.seconds = number * 10.0
        record = stand.record()
        if number == 1:
            figures = record.inventory.figures._replace(level=Figure(float("nan"), Quality.GOOD, (), 0.0))
            record = record._replace(inventory=record.inventory._replace(figures=figures))
        ledger.offer(record)
    assert ledger.close(20)
    out = tmp_path / "out"
    said = typed(capsys, "ledger", "export", str(stand.file), "--format", kind, "--out", str(out))
    assert said.code == 1
    assert "1 records cannot be read and are left out, the first at position 3: tank TK-1: level is nan" in said.err
    assert len(out.read_bytes().splitlines()) == (3 if kind == "csv" else 2)


def test_verify_finds_a_record_that_is_missing(capsys: Capture, stand: Stand) -> None:
    assert typed(capsys, "ledger", "verify", str(stand.file)).code == 0
    (taken,) = rows_in(stand.file, "SELECT position FROM history WHERE kind = 0 LIMIT 1 OFFSET 10")
    change(stand, "DELETE FROM history WHERE position = ?", taken[0])
    document = typed(capsys, "ledger", "verify", str(stand.file), "--json").document
    # The 11th record is the sixth of TK-1; the seventh, two positions on, names it, and the fifth stands before it.
    assert document["found"]["gaps"] == [
        f"position {taken[0] + 2}: a record of TK-1 names sequence 6 of boot {BOOTS[0]} as the one before it, and"
        f" sequence 5 of boot {BOOTS[0]} stands there"
    ]
    assert document["well"] is False


def test_verify_finds_a_row_of_the_audit_trail_that_was_changed(capsys: Capture, stand: Stand) -> None:
    change(stand, "UPDATE audit SET body = 'nobody did anything'")
    said = typed(capsys, "ledger", "verify", str(stand.file))
    assert said.code == 1
    assert "wrong: the audit trail is broken (1)\n  row 1: " in said.out


def test_verify_finds_a_broken_page(capsys: Capture, stand: Stand) -> None:
    change(stand, "SELECT 1")
    (root,) = rows_in(stand.file, "SELECT rootpage FROM sqlite_master WHERE name = 'history'")
    with stand.file.open("r+b") as file:
        file.seek((root[0] - 1) * 4096)
        file.write(b"\xff" * 400)
    said = typed(capsys, "ledger", "verify", str(stand.file))
    assert said.code == 1
    assert "Traceback" not in said.out + said.err


def recorded(stand: Stand, change_by_m: float) -> None:
    """A record of the demo site's first tank, calculated, its level then moved by so much."""
    site = load_demo()
    tank = site.tanks[0]
    maps = {each.tag: each.map for line in site.lines for each in line.instruments}
    plan_id, text = plan_text(tank.plan, tank.binding, tank.period_s, maps)
    given = TankInput(
        tank.plan.tank,
        BEGIN,
        level=Input(9.412, Quality.GOOD, None, 1.0, "LT-101.level"),
        reference_density=Input(838.0, Quality.GOOD, None, 0.0, "site file"),
    )
    sheet = calculate(tank.plan, given, EMPTY_MEMORY)[0]
    level = sheet.figures.level
    assert level.value is not None
    moved = level._replace(value=level.value + change_by_m)
    sheet = sheet._replace(figures=sheet.figures._replace(level=moved))
    ledger = stand.open()
    ledger.keep_plan(plan_id, text)
    ledger.offer(TankRecord(Identity(SITE, tank.plan.tank, BOOTS[0], 1), given, sheet, plan=plan_id))
    ledger.offer(stand.record("TK-2"))
    assert ledger.close(20)


def test_a_plan_that_is_damaged_is_found(capsys: Capture, tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    recorded(stand, 0.0)
    change(stand, "UPDATE plans SET body = ?", packed(b"[1, 2]"))
    said = typed(capsys, "ledger", "verify", str(stand.file), "--calculate")
    assert said.code == 1
    assert "wrong: plans are damaged (1)" in said.out


@pytest.mark.parametrize("change_by_m", [0.0, 1e-9])
def test_records_are_calculated_again_to_the_same_digits(capsys: Capture, tmp_path: Path, change_by_m: float) -> None:
    stand = Stand(tmp_path)
    recorded(stand, change_by_m)
    said = typed(capsys, "ledger", "verify", str(stand.file), "--calculate")
    assert said.code == (1 if change_by_m else 0), said.out
    assert "1 records calculated again" in said.out
    assert "1 were not: their plans are not in it" in said.out
    assert ("records come out otherwise (1)" in said.out) is bool(change_by_m)


def test_a_backup_is_made_while_the_gateway_writes_and_is_one_instant(capsys: Capture, tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    filled(ledger, stand)
    out = tmp_path / "copy.ledger"
    said = typed(capsys, "ledger", "backup", str(stand.file), "--out", str(out), "--json")
    assert said.code == 0, said
    assert said.document["last"] == 41
    filled(ledger, stand, 60)
    assert ledger.close(20)
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert typed(capsys, "ledger", "verify", str(out)).code == 0
    assert len(rows_in(out)) == 41
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("copy")] == ["copy.ledger"]
    # The gateway knows of it, whoever has made it.
    noted = last_copy(stand.file)
    assert noted is not None
    assert (noted.file, noted.size_bytes, said.document["noted"]) == (str(out), out.stat().st_size, True)
    assert stat.S_IMODE(Path(f"{stand.file}.copied").stat().st_mode) == stat.S_IMODE(stand.file.stat().st_mode)
    said = typed(capsys, "ledger", "backup", str(stand.file), "--out", str(out))
    assert (said.code, len(rows_in(out))) == (2, 41)
    # It is a ledger like any other: a gateway goes on with it.
    copied = Stand(tmp_path, file=out)
    again = copied.open(1)
    copied.seconds = 1000.0
    again.offer(copied.record("TK-1", 1))
    assert again.close(20)
    assert typed(capsys, "ledger", "verify", str(out)).code == 0


def test_prune_says_first_what_it_would_do(capsys: Capture, stand: Stand) -> None:
    before = stand.file.read_bytes()
    said = typed(capsys, "ledger", "prune", str(stand.file), "--before", "2026-11-28T06:02")
    assert said.code == 0
    assert "older entries stay for office" in said.out
    assert "nothing was changed; add --yes" in said.out
    assert rows_in(stand.file, "SELECT count(*) FROM history") == [(42,)]
    assert stand.file.read_bytes()[4096:] == before[4096:]


def test_prune_takes_out_what_is_older_and_counts_what_was_needed(capsys: Capture, stand: Stand) -> None:
    """The start of the gateway and the records of 06:00:00 to 06:01:50: thirteen."""
    words = ("ledger", "prune", str(stand.file), "--before", "2026-11-28T06:02", "--yes")
    assert typed(capsys, *words, "--json").document["deleted"] == 0
    document = typed(capsys, *words, "--also-needed", "--shrink", "--json").document
    assert (document["deleted"], document["lost"]) == (13, {"office": 13})
    said = typed(capsys, "ledger", "check", str(stand.file))
    assert said.code == 1
    assert "office will never get 13 entries" in said.out
    assert typed(capsys, "ledger", "verify", str(stand.file)).code == 0


def test_prune_forgets_a_destination_that_has_gone(capsys: Capture, stand: Stand) -> None:
    said = typed(capsys, "ledger", "prune", str(stand.file), "--forget", "yard", "--yes")
    assert said.code == 2
    assert "knows no destination 'yard'\n  hint: it knows: office" in said.err
    words = ("ledger", "prune", str(stand.file), "--forget", "office", "--before", "2026-11-28T06:02", "--yes")
    assert "taken out: 13 entries" in typed(capsys, *words).out
    assert rows_in(stand.file, "SELECT count(*) FROM cursors") == [(0,)]


def test_prune_refuses_a_file_that_a_gateway_holds(capsys: Capture, tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    filled(ledger, stand)
    said = typed(capsys, "ledger", "prune", str(stand.file), "--before", "2027-01-01", "--yes")
    assert said.code == 1
    assert "is in use by another process\n  hint: stop the gateway first" in said.err
    assert ledger.close(20)
    assert len(rows_in(stand.file)) == RECORDS + 2


@pytest.mark.parametrize("action", ["check", "export", "verify", "backup", "prune"])
def test_a_newer_file_is_refused_untouched(capsys: Capture, stand: Stand, action: str, tmp_path: Path) -> None:
    change(stand, "PRAGMA user_version = 99")
    before = stand.file.read_bytes()
    more = {"backup": ("--out", str(tmp_path / "new")), "prune": ("--before", "2027-01-01", "--yes")}
    said = typed(capsys, "ledger", action, str(stand.file), *more.get(action, ()))
    assert said.code == 2, said
    assert f"was written by a newer version (schema 99; this one knows up to {NEWEST})" in said.err
    assert stand.file.read_bytes() == before
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("action", ["check", "export", "verify", "backup"])
def test_another_data_base_is_refused(capsys: Capture, tmp_path: Path, action: str) -> None:
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE history (position INTEGER)")
    connection.commit()
    connection.close()
    more = ("--out", str(tmp_path / "new")) if action == "backup" else ()
    said = typed(capsys, "ledger", action, str(other), *more)
    assert said.code == 2
    assert "is a data base of something else" in said.err


def test_what_is_read_only_is_read_all_the_same(capsys: Capture, stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also by root, for whom the system forbids nothing: so it is SQLite that says that it cannot."""
    change(stand, "SELECT 1")
    for name in ("-wal", "-shm"):
        Path(f"{stand.file}{name}").unlink(missing_ok=True)
    os.chmod(stand.file, 0o400)
    os.chmod(stand.file.parent, 0o500)

    def refused(*_: object) -> None:
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr("gateway.ledger.reading_file.open_to_read", refused)
    monkeypatch.setattr("gateway.ledger.reading_file.os.access", lambda path, mode, **_: mode == os.R_OK)
    try:
        said = typed(capsys, "ledger", "check", str(stand.file), "--json")
        assert said.code == 0, said
        assert said.document["records"] == 40
        os.chmod(stand.file.parent, 0o700)
        Path(f"{stand.file}-wal").write_bytes(b"x")
        os.chmod(stand.file.parent, 0o500)
        said = typed(capsys, "ledger", "check", str(stand.file))
        assert said.code == 2
        assert "its newest entries are in north.ledger-wal" in said.err
    finally:
        os.chmod(stand.file.parent, 0o700)


def test_times_are_utc_unless_they_say_otherwise() -> None:
    noon = round(datetime.fromisoformat("2026-03-01T12:00:00.25+00:00").timestamp() * 1e6) * 1000
    assert time_of("--from", "2026-03-01T12:00:00.25") == noon
    assert time_of("--from", "2026-03-01T13:00:00.25+01:00") == noon
