"""A folder of history files on a real disk: what is in it after every crash and every error that a call can have."""

import errno
import fcntl
import os
import random
import shutil
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import orjson
import pytest
from structlog.testing import capture_logs

from gateway.delivery.files import state
from gateway.delivery.files.folder import FILE_DAMAGED, HistoryFolder
from gateway.delivery.files.rows import RECORDS
from gateway.delivery.files.state import FilesError
from gateway.delivery.plan import FilesPlan
from gateway.history import Entry, KeptRecord
from gateway.records import Figure, Quality
from gateway.tank_record import EventKind
from tests.support.history_files import (
    DISK_ERRORS,
    CrashError,
    Fault,
    finished,
    identities,
    rows,
    unfinished,
)
from tests.support.kept_entries import kept_event, kept_record, streams
from tests.support.records import BOOT, NOON, inventory, record_of

UTC_ZONE = ZoneInfo("UTC")
DAY = timedelta(days=1)


class Writer:
    """Folders one after the other, as processes would be, each closed at the end of the test."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._made: list[HistoryFolder] = []

    def begin(self, *, site: str = "harbour", each_s: float = 86_400.0) -> HistoryFolder:
        made = HistoryFolder(FilesPlan(self.folder, each_s=each_s), site)
        self._made.append(made)
        made.open()
        return made

    def end(self) -> None:
        for each in self._made:
            each.close()


@pytest.fixture
def writer(memory_path: Path) -> Iterator[Writer]:
    (memory_path / "out").mkdir()
    made = Writer(memory_path / "out")
    yield made
    made.end()


def at(position: int, instant: datetime, tank: str = "TK-1") -> KeptRecord:
    """Sequences are the positions."""
    return KeptRecord(position, record_of("harbour", BOOT, position, inventory(tank, instant=instant)), None)


def test_an_importer_sees_whole_files_only(writer: Writer) -> None:
    folder = writer.begin()
    folder.write([*streams(["TK-1", "TK-2"], 3), kept_event(7)], UTC_ZONE)
    assert finished(writer.folder) == finished(writer.folder, "events") == []
    assert [path.suffix for path in unfinished(writer.folder)] == [".unfinished"]
    folder.finish(NOON)
    assert finished(writer.folder) == [], "the day is not over"
    folder.finish(NOON + DAY)
    assert [path.name for path in finished(writer.folder)] == ["harbour_2026-03-14_records.csv"]
    assert [path.name for path in finished(writer.folder, "events")] == ["harbour_2026-03-14_events.csv"]
    assert identities(*finished(writer.folder)) == [(t, n) for n in (1, 2, 3) for t in ("TK-1", "TK-2")]
    assert [row["kind"] for row in rows(*finished(writer.folder, "events"))] == ["gateway_started"]
    assert unfinished(writer.folder) == unfinished(writer.folder, "events") == []
    assert finished(writer.folder)[0].stat().st_mode & 0o777 == 0o644, "for another user to read"


def test_each_row_is_in_the_file_of_its_time_also_around_midnight(writer: Writer) -> None:
    midnight = datetime(2026, 3, 15, tzinfo=UTC)
    offsets = (-2.0, -1.0, 0.5, -0.5, 1.0, 30.0, -0.1, 90.0, 91.0)
    entries = [at(number, midnight + timedelta(seconds=offset)) for number, offset in enumerate(offsets, start=1)]
    folder = writer.begin()
    for entry in entries:
        folder.write([entry], UTC_ZONE)
    (before,) = finished(writer.folder)
    assert before.name == "harbour_2026-03-14_records.csv"
    assert [sequence for _, sequence in identities(before)] == [1, 2, 4, 7]
    assert [sequence for _, sequence in identities(*unfinished(writer.folder))] == [3, 5, 6, 8, 9]


def test_a_row_that_comes_after_its_file_goes_to_a_second_part(writer: Writer) -> None:
    folder = writer.begin(each_s=3600.0)
    folder.write([at(1, NOON)], UTC_ZONE)
    folder.finish(NOON + DAY)
    folder.write([at(2, NOON), at(3, NOON + DAY)], UTC_ZONE)
    folder.finish(NOON + DAY + DAY)
    assert {path.name: [n for _, n in identities(path)] for path in finished(writer.folder)} == {
        "harbour_2026-03-14_120000_records.csv": [1],
        "harbour_2026-03-14_120000_records_2.csv": [2],
        "harbour_2026-03-15_120000_records.csv": [3],
    }


def test_what_an_importer_has_taken_away_does_not_come_again(writer: Writer) -> None:
    entries = streams(["TK-1"], 4)
    folder = writer.begin()
    folder.write(entries[:2], UTC_ZONE)
    folder.finish(NOON + DAY)
    finished(writer.folder)[0].unlink()
    folder.close()
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    folder.finish(NOON + DAY)
    (file,) = finished(writer.folder)
    assert file.name == "harbour_2026-03-14_records_2.csv", "nor the name, under which the importer keeps another"
    assert identities(file) == [("TK-1", 3), ("TK-1", 4)]


@pytest.mark.parametrize("known", [True, False], ids=["state", "no state"])
def test_half_a_row_is_never_taken_for_a_whole_one(writer: Writer, known: bool) -> None:
    """Wherever a write breaks off, from its first byte on: also within the header."""
    entries = streams(["TK-1", "TK-2"], 2)
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    if known:
        folder.save()
    folder.close()
    (file,) = unfinished(writer.folder)
    state = writer.folder / ".harbour.tank-gateway.json"
    whole, told = file.read_bytes(), state.read_bytes()
    for length in range(0, len(whole), 31):
        file.write_bytes(whole[:length])
        state.write_bytes(told)
        if not known:
            state.unlink()
        folder = writer.begin()
        folder.write(entries, UTC_ZONE)
        folder.close()
        if known:
            # A file that lost what had been synced: no crash does that, and the rows that are left are whole.
            assert len({row["position"] for row in rows(file)}) == len(rows(file))
        else:
            assert file.read_bytes() == whole, length


def test_zeros_behind_the_rows_are_cut_off(writer: Writer) -> None:
    """Some file systems leave them after a power cut: the file has its length and not its content."""
    entries = streams(["TK-1"], 3)
    folder = writer.begin()
    folder.write(entries[:2], UTC_ZONE)
    folder.close()
    (file,) = unfinished(writer.folder)
    with file.open("ab") as end:
        end.write(bytes(4096))
    writer.begin().write(entries, UTC_ZONE)
    assert identities(file) == [("TK-1", 1), ("TK-1", 2), ("TK-1", 3)]


def test_whole_rows_behind_a_broken_one_are_kept_for_a_person(writer: Writer) -> None:
    entries = streams(["TK-1"], 3)
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    folder.close()
    (file,) = unfinished(writer.folder)
    lines = file.read_bytes().splitlines(keepends=True)
    edited = b"".join([*lines[:2], b"somebody was here\r\n", lines[3]])
    file.write_bytes(edited)
    (writer.folder / ".harbour.tank-gateway.json").unlink()
    with capture_logs() as logs:
        writer.begin().write(entries, UTC_ZONE)
    assert [each["event"] for each in logs] == [FILE_DAMAGED]
    assert (writer.folder / "harbour_2026-03-14_records.csv.damaged").read_bytes() == edited
    assert identities(file) == [("TK-1", 1), ("TK-1", 2), ("TK-1", 3)]


def test_a_file_of_another_version_is_done_as_it_is(writer: Writer) -> None:
    folder = writer.begin()
    folder.write([kept_record(1)], UTC_ZONE)
    folder.close()
    (file,) = unfinished(writer.folder)
    (header, row) = file.read_bytes().splitlines()
    older = b",".join(header.split(b",")[:-3]) + b"\r\n" + b",".join(row.split(b",")[:-3]) + b"\r\n"
    file.write_bytes(older)
    (writer.folder / ".harbour.tank-gateway.json").unlink()
    folder = writer.begin()
    folder.write([kept_record(1), kept_record(2, sequence=2)], UTC_ZONE)
    folder.finish(NOON + DAY)
    first, second = finished(writer.folder)
    assert first.read_bytes() == older
    assert second.read_bytes().startswith(RECORDS.header)
    assert identities(first, second) == [("TK-1", 1), ("TK-1", 2)]


def test_with_another_length_of_files_those_of_before_are_done(writer: Writer) -> None:
    folder = writer.begin()
    folder.write([at(1, NOON)], UTC_ZONE)
    folder.close()
    folder = writer.begin(each_s=3600.0)
    folder.write([at(1, NOON), at(2, NOON)], UTC_ZONE)
    folder.finish(NOON)
    assert [path.name for path in finished(writer.folder)] == ["harbour_2026-03-14_records.csv"]
    assert [n for _, n in identities(*unfinished(writer.folder))] == [2]


def test_a_repeat_is_known_however_long_the_cursor_stood_still(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    """A ledger whose disk takes nothing in for hours keeps the cursor where it was; then the process is killed, and all
    since comes again. What stands before the first that a process was given never does: of that nothing is kept."""
    clock = [1000.0]
    monkeypatch.setattr("time.monotonic", lambda: clock[0])
    entries = streams(["TK-1", "TK-2", "TK-3", "TK-4"], 3)

    def process(number: int) -> HistoryFolder:
        monkeypatch.setattr(state, "PROCESS", f"process {number}")
        return writer.begin()

    folder = process(1)
    for number, entry in enumerate(entries):
        folder.write([entry], UTC_ZONE)
        folder.save()
        clock[0] += 3600.0
        if number == 5:
            # Whatever has to be begun again within the process.
            folder.close()
            folder.open()
    folder.close()
    folder = process(2)
    folder.write(entries, UTC_ZONE)
    folder.save()
    there = [int(row["position"]) for row in rows(*unfinished(writer.folder))]
    assert sorted(there) == sorted(entry.position for entry in entries)
    folder.close()
    folder = process(3)
    later = KeptRecord(40, record_of("harbour", "c" * 32, 1, inventory("TK-1")), None)
    folder.write([later], UTC_ZONE)
    clock[0] += 3600.0
    folder.save()
    (kept,) = [path for path in writer.folder.iterdir() if path.name.endswith("tank-gateway.json")]
    assert orjson.loads(kept.read_bytes())["newest"] == [["records", "TK-1", "c" * 32, 1, 0, 40]]


def test_the_mark_of_a_formula_is_no_part_of_a_name(writer: Writer) -> None:
    """What is written already is read from an unfinished file where the state is gone."""
    entries = [at(1, NOON, "=TK-1"), at(2, NOON, "'TK-2")]
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    folder.close()
    for path in writer.folder.glob("*.json"):
        path.unlink()
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    assert identities(*unfinished(writer.folder)) == [("'=TK-1", 1), ("''TK-2", 2)]


def test_a_fresh_ledger_begins_its_positions_anew_and_nothing_of_it_is_left_out(writer: Writer) -> None:
    folder = writer.begin()
    folder.write([at(900, NOON)], UTC_ZONE)
    # The same tank and boot, a position of long ago, a newer sheet.
    folder.write([at(900, NOON)._replace(position=1)], UTC_ZONE)
    newer = KeptRecord(2, record_of("harbour", BOOT, 901, inventory("TK-1")), None)
    folder.write([newer], UTC_ZONE)
    assert [n for _, n in identities(*unfinished(writer.folder))] == [900, 901]


def test_what_is_out_of_order_is_written_rather_than_taken_for_a_repeat(writer: Writer) -> None:
    folder = writer.begin()
    early = KeptRecord(12, record_of("harbour", BOOT, 3, inventory("TK-1")), None)
    folder.write([at(11, NOON), early], UTC_ZONE)
    assert [n for _, n in identities(*unfinished(writer.folder))] == [11, 3]


def test_a_record_that_is_no_row_holds_up_no_other(writer: Writer) -> None:
    folder = writer.begin()
    poison = kept_record(2, sequence=2, gsv=Figure(float("inf"), Quality.GOOD, (), 0.0))
    written = folder.write([kept_record(1), poison, kept_record(3, sequence=3)], UTC_ZONE)
    assert list(written.refused) == [2]
    assert "gsv is inf" in written.refused[2]
    assert [n for _, n in identities(*unfinished(writer.folder))] == [1, 3]


def test_a_clock_that_is_set_to_and_fro_opens_no_more_than_a_few_files(writer: Writer) -> None:
    folder = writer.begin(each_s=60.0)
    instants = [NOON + timedelta(days=random.Random(7).randrange(1, 99) * (-1) ** n) for n in range(60)]
    for position, instant in enumerate(instants, start=1):
        folder.write([at(position, instant + timedelta(hours=position))], UTC_ZONE)
        assert len(unfinished(writer.folder)) <= 8
    found = identities(*finished(writer.folder), *unfinished(writer.folder))
    assert sorted(n for _, n in found) == list(range(1, 61))


class TestOthers:
    def test_two_gateways_of_one_site_are_told(self, writer: Writer) -> None:
        writer.begin()
        with pytest.raises(FilesError, match="another gateway writes the files of site harbour there") as caught:
            writer.begin()
        assert caught.value.code == "other_gateway"

    def test_two_sites_share_a_folder(self, writer: Writer) -> None:
        for site in ("harbour", "harbour_records", "HARBOR"):
            folder = writer.begin(site=site)
            folder.write([kept_record(1)], UTC_ZONE)
            folder.finish(NOON + DAY)
        assert [path.name for path in finished(writer.folder)] == [
            "HARBOR_2026-03-14_records.csv",
            "harbour_2026-03-14_records.csv",
            "harbour_records_2026-03-14_records.csv",
        ]

    def test_two_sites_whose_names_are_one_to_the_disk(self, writer: Writer) -> None:
        """As on one that takes no notice of capitals: here the state is put under the other's name."""
        writer.begin(site="harbour").close()
        state = writer.folder / ".harbour.tank-gateway.json"
        state.rename(writer.folder / ".Harbour.tank-gateway.json")
        with pytest.raises(FilesError, match="are those of site harbour; give this one another folder"):
            writer.begin(site="Harbour")

    def test_a_disk_without_locks_is_written_all_the_same(
        self, writer: Writer, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def no_locks(*_: object) -> None:
            raise OSError(errno.EOPNOTSUPP, "not supported")

        monkeypatch.setattr(fcntl, "flock", no_locks)
        with capture_logs() as logs:
            writer.begin().write([kept_record(1)], UTC_ZONE)
        assert [each["event"] for each in logs] == ["files.no_lock"]
        assert len(identities(*unfinished(writer.folder))) == 1

    @pytest.mark.parametrize("planted", ["symlink", "hard link", "pipe", "directory"])
    @pytest.mark.parametrize(
        "name",
        [".harbour_2026-03-14_records.csv.unfinished", ".harbour.tank-gateway.json", ".harbour.tank-gateway.lock"],
    )
    def test_what_somebody_puts_there_leads_to_no_other_file(
        self, writer: Writer, memory_path: Path, planted: str, name: str
    ) -> None:
        other, place = memory_path / "other", writer.folder / name
        other.write_bytes(b"of somebody else\r\n")
        if planted == "symlink":
            place.symlink_to(other)
        elif planted == "hard link":
            place.hardlink_to(other)
        elif planted == "pipe":
            os.mkfifo(place)
        else:
            place.mkdir()
        with pytest.raises(FilesError):
            writer.begin().write([kept_record(1)], UTC_ZONE)
        assert other.read_bytes() == b"of somebody else\r\n"

    def test_a_state_that_is_none_is_told_and_kept(self, writer: Writer) -> None:
        state = writer.folder / ".harbour.tank-gateway.json"
        state.write_bytes(b'{"schema": "tank')
        with pytest.raises(FilesError, match="is damaged; move it away"):
            writer.begin()
        assert state.read_bytes() == b'{"schema": "tank'


class TestGone:
    def test_no_folder(self, writer: Writer) -> None:
        writer.folder.rmdir()
        with pytest.raises(FilesError, match="there is no such folder; make it once its disk is mounted"):
            writer.begin()

    def test_a_file_in_its_place(self, writer: Writer) -> None:
        writer.folder.rmdir()
        writer.folder.write_text("")
        with pytest.raises(FilesError, match="it is no folder"):
            writer.begin()

    @pytest.mark.parametrize("what", ["moved", "replaced", "file taken", "file replaced"])
    def test_taken_away_while_it_is_written(self, writer: Writer, memory_path: Path, what: str) -> None:
        """What goes into a file that has lost its name is lost with it, and was not written."""
        folder = writer.begin()
        folder.write([kept_record(1)], UTC_ZONE)
        (file,) = unfinished(writer.folder)
        if what == "file taken":
            file.unlink()
        elif what == "file replaced":
            file.rename(memory_path / "elsewhere")
            file.touch()
        else:
            writer.folder.rename(memory_path / "elsewhere")
            if what == "replaced":
                writer.folder.mkdir()
        with pytest.raises(FilesError):
            folder.write([kept_record(2, sequence=2)], UTC_ZONE)
        writer.folder.mkdir(exist_ok=True)
        folder.close()
        folder.open()
        folder.write([kept_record(2, sequence=2)], UTC_ZONE)
        assert identities(*unfinished(writer.folder)) == [("TK-1", 2)]


def _life(writer: Writer, batches: Sequence[Sequence[Entry]], cursor: list[int]) -> None:
    """One process, from the cursor on to the end."""
    folder = writer.begin(each_s=3600.0)
    for number in range(cursor[0], len(batches)):
        folder.write(batches[number], UTC_ZONE)
        cursor[0] = number + 1
    folder.finish(NOON + DAY)
    folder.save()
    folder.close()


def _batches() -> list[list[Entry]]:
    """Over three hours, with events, so that files are begun and done in the middle of it."""
    entries: list[Entry] = []
    for number in range(1, 25):
        instant = NOON + timedelta(minutes=7 * number)
        entries.append(at(2 * number, instant, f"TK-{number % 3}"))
        entries.append(kept_event(2 * number + 1, EventKind.HISTORY_LOST, sequence=number, instant=instant))
    return [entries[first : first + 4] for first in range(0, len(entries), 4)]


def _check(folder: Path) -> None:
    """All of it, each once, in order, and nothing else."""
    records = [int(row["position"]) for row in rows(*finished(folder), *unfinished(folder))]
    events = [int(row["position"]) for row in rows(*finished(folder, "events"), *unfinished(folder, "events"))]
    assert records == list(range(2, 49, 2))
    assert events == list(range(3, 50, 2))


@pytest.mark.parametrize(
    ("lag", "power"), [(0, False), (2, False), (2, True)], ids=["killed", "killed, cursor behind", "power cut"]
)
def test_wherever_it_crashes_each_row_is_there_once(
    writer: Writer, monkeypatch: pytest.MonkeyPatch, lag: int, power: bool
) -> None:
    """At every single call to the system: the process ends there, and another goes on from a cursor that was behind."""
    fault, batches, chance = Fault(monkeypatch), _batches(), random.Random(5)
    struck = set()
    for call in range(1, 1000):
        shutil.rmtree(writer.folder)
        writer.folder.mkdir()
        cursor = [0]
        with fault.at(call), suppress(CrashError):
            _life(writer, batches, cursor)
        writer.end()
        if not fault.struck:
            break
        struck.add(fault.struck)
        if power:
            fault.cut_the_power(writer.folder, chance)
        cursor[0] = max(0, cursor[0] - lag)
        _life(writer, batches, cursor)
        _check(writer.folder)
    else:
        pytest.fail("it never came to its end")
    assert {"open", "write", "fsync", "rename"} <= struck


@pytest.mark.parametrize("code", DISK_ERRORS, ids=errno.errorcode.__getitem__)
def test_whatever_call_fails_each_row_is_there_once(writer: Writer, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    """The same writer goes on, as it does when the disk is well again."""
    fault, batches = Fault(monkeypatch), _batches()
    for call in range(1, 1000, 3):
        shutil.rmtree(writer.folder)
        writer.folder.mkdir()
        folder = HistoryFolder(FilesPlan(writer.folder, each_s=3600.0), "harbour")
        done = 0
        with fault.at(call, code):
            while done < len(batches):
                try:
                    folder.open()
                    while done < len(batches):
                        folder.write(batches[done], UTC_ZONE)
                        done += 1
                    folder.finish(NOON + DAY)
                except FilesError:
                    folder.close()
        with suppress(FilesError):
            folder.finish(NOON + DAY)
        folder.close()
        if not fault.struck:
            break
        _check(writer.folder)
    else:
        pytest.fail("it never came to its end")


def test_a_batch_over_more_files_than_are_open_at_once_survives_a_crash(
    writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file is done in the middle of it: what is said to be written then is on the disk."""
    fault, chance = Fault(monkeypatch), random.Random(5)
    entries = [at(number, NOON + timedelta(minutes=number)) for number in range(1, 15)]
    for call in range(1, 1000):
        shutil.rmtree(writer.folder)
        writer.folder.mkdir()
        with fault.at(call), suppress(CrashError):
            writer.begin(each_s=60.0).write(entries, UTC_ZONE)
        writer.end()
        if not fault.struck:
            break
        fault.cut_the_power(writer.folder, chance)
        writer.begin(each_s=60.0).write(entries, UTC_ZONE)
        writer.end()
        found = rows(*finished(writer.folder), *unfinished(writer.folder))
        assert sorted(int(row["position"]) for row in found) == list(range(1, 15)), call
    else:
        pytest.fail("it never came to its end")


@pytest.mark.parametrize("minutes", [(70, 50, 55, 65, 130, 58, 75), (10, 70, 130, 20, 80, 140), (130, 70, 10)], ids=str)
def test_whatever_the_clock_did_a_crash_between_two_files_loses_no_row(
    writer: Writer, monkeypatch: pytest.MonkeyPatch, minutes: Sequence[int]
) -> None:
    """A row on the disk says that those before it of its tank and boot are there: also where a later file was begun
    first, as by a process before it."""
    fault, chance = Fault(monkeypatch), random.Random(5)
    before = [at(1, NOON + timedelta(minutes=90))]
    entries = [at(number, NOON + timedelta(minutes=each)) for number, each in enumerate(minutes, 2)]
    for call in range(1, 1000):
        shutil.rmtree(writer.folder)
        writer.folder.mkdir()
        with fault.at(call), suppress(CrashError):
            folder = writer.begin(each_s=3600.0)
            folder.write(before, UTC_ZONE)
            folder.write(entries, UTC_ZONE)
        writer.end()
        if not fault.struck:
            break
        if call % 2:
            fault.cut_the_power(writer.folder, chance)
        writer.begin(each_s=3600.0).write([*before, *entries], UTC_ZONE)
        writer.end()
        found = rows(*finished(writer.folder), *unfinished(writer.folder))
        assert {int(row["position"]) for row in found} == set(range(1, len(entries) + 2)), call
    else:
        pytest.fail("it never came to its end")


def test_what_a_failed_sync_may_have_dropped_is_written_once_more(
    writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system drops what it could not write, says so once, and shows it to readers while it is in memory."""
    folder = writer.begin()
    folder.write([kept_record(1)], UTC_ZONE)
    sync, failing = os.fsync, [True]

    def fails_once(descriptor: int) -> None:
        if failing.pop():
            raise OSError(errno.EIO, "lost")

    monkeypatch.setattr(os, "fsync", fails_once)
    with pytest.raises(FilesError):
        folder.write([kept_record(2, sequence=2)], UTC_ZONE)
    monkeypatch.setattr(os, "fsync", sync)
    folder.close()
    (file,) = unfinished(writer.folder)
    assert len(identities(file)) == 2
    folder.open()
    assert identities(file) == [("TK-1", 1)]
    folder.write([kept_record(2, sequence=2)], UTC_ZONE)
    assert identities(file) == [("TK-1", 1), ("TK-1", 2)]


def test_what_another_has_written_meanwhile_stays(writer: Writer) -> None:
    """A second gateway that took over, and gives back."""
    entries = streams(["TK-1"], 3)
    one = writer.begin()
    one.write(entries[:1], UTC_ZONE)
    one.close()
    other = writer.begin()
    other.write(entries[:2], UTC_ZONE)
    other.close()
    one.open()
    one.write(entries[2:], UTC_ZONE)
    assert identities(*unfinished(writer.folder)) == [("TK-1", 1), ("TK-1", 2), ("TK-1", 3)]


def test_a_row_whose_beginning_is_zeros_is_none(writer: Writer) -> None:
    entries = streams(["TK-1"], 2)
    folder = writer.begin()
    folder.write(entries, UTC_ZONE)
    folder.close()
    (file,) = unfinished(writer.folder)
    (writer.folder / ".harbour.tank-gateway.json").unlink()
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join([*lines[:2], bytes(20) + lines[2][20:]]))
    writer.begin().write(entries, UTC_ZONE)
    assert file.read_bytes() == b"".join(lines)
