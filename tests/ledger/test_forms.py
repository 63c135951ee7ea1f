"""Records that are compressed with a form of their tank: each comes back, whatever happened to the file meanwhile."""

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.history import KeptRecord
from gateway.ledger import forms, store
from gateway.ledger.blocks import RECORD
from gateway.ledger.codec import NOBODYS, BodyError, Decoder, Encoder, FormBody, present_dictionary
from gateway.ledger.entries import Names, Unreadable, entry_of, rows_between
from gateway.ledger.forms import FormedEncoder, forget_forms
from gateway.ledger.intake import GivenRecord
from gateway.ledger.pending import Pending
from gateway.ledger.rows import Piece, Rows
from gateway.ledger.store import open_store, transaction
from gateway.tank_record import TankRecord
from tests.support.ledger_store import BOOTS, SITE, Stand, level_record, records_in, until
from tests.test_tank_record import records_of

TANKS = ("TK-1", "TK-2")


@pytest.mark.parametrize("seed", [4_000_000, 4_000_020])
def test_the_records_of_a_random_site_come_back_to_the_same_digits(seed: int) -> None:
    """All under one name, so that a form is not like what comes after it."""
    encoder, decoder = FormedEncoder(Encoder(present_dictionary())), Decoder()
    known: dict[int, FormBody] = {}
    for _, record in records_of(seed):
        named = record._replace(identity=record.identity._replace(tank="TK-1"))
        number, body, form = encoder.record(named)
        if form is not None:
            assert form.number == number
            known[number] = form[1:]
        assert decoder(RECORD, number, body, known.get) == record._replace(identity=NOBODYS)
    assert known


def test_a_record_takes_much_less_with_a_record_of_its_tank() -> None:
    """Two sheets of a tank differ by what was read."""
    encoder = FormedEncoder(Encoder(present_dictionary()))
    sizes = [len(encoder.record(level_record("TK-1", BOOTS[0], each, 10.0 * each)).body) for each in range(1, 50)]
    assert max(sizes[forms._FIRST :]) < 0.5 * min(sizes[: forms._FIRST - 1])


def test_a_tank_has_another_form_once_it_has_become_another() -> None:
    """A spoilt sheet is made with a form of whole ones until what that costs pays for another; one that stays as it is
    needs few: each costs a form of some 400 B for at least eight times as much that was lost without."""
    encoder = FormedEncoder(Encoder(present_dictionary()))
    sizes, numbers = [], []
    for number in range(1, 1000):
        packed = encoder.record(level_record("TK-1", BOOTS[0], number, 10.0 * number, spoilt=number > 500))
        sizes.append(len(packed.body))
        numbers.append(packed.dictionary)
    assert len({*numbers[2:500]}) <= 3
    assert len({*numbers[700:]}) <= 3
    assert not {*numbers[2:500]} & {*numbers[700:]}
    assert max(sizes[700:]) < max(sizes[500:510])


def test_what_is_too_large_for_a_form_is_packed_without(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forms, "_LARGEST_BYTES", 100)
    encoder = FormedEncoder(Encoder(present_dictionary()))
    for number in range(1, 10):
        packed = encoder.record(level_record("TK-1", BOOTS[0], number, 0.0))
        assert (packed.dictionary, packed.form) == (present_dictionary().number, None)
        Decoder()(RECORD, packed.dictionary, packed.body)


_ADDED = st.lists(st.tuples(st.sampled_from(TANKS), st.booleans()), min_size=1, max_size=8)
_DONE = st.one_of(
    _ADDED.map(lambda given: ("commit", given)),
    _ADDED.map(lambda given: ("undo", given)),
    st.integers(1, 30).map(lambda count: ("delete", count)),
    st.just(("another file", 0)),
    st.just(("another process", 0)),
)


class _Play:
    """A file that is written, undone, thinned out and lost, and what must stand in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.number = 0
        self.files = 0
        self.kept: dict[int, TankRecord] = {}
        self.waiting: list[tuple[Piece, TankRecord]] = []
        self.connection = sqlite3.connect(":memory:")
        self.start()
        self.open()

    def close(self) -> None:
        self.connection.close()

    def start(self) -> None:
        self.pending = Pending(SITE, BOOTS[0], Encoder(present_dictionary()))

    def open(self) -> None:
        self.close()
        self.files += 1
        self.kept.clear()
        self.connection = open_store(self.folder / f"{self.files}.ledger", SITE, 0).connection
        self.connection.execute("INSERT OR IGNORE INTO dictionaries VALUES (?, ?)", present_dictionary())
        self.begin()

    def begin(self) -> None:
        self.rows = Rows(self.connection)
        if self.rows.boot(BOOTS[0]) is None:
            self.rows.add_boot(BOOTS[0], "", 1.0, 0)

    def add(self, given: list[tuple[str, bool]], *, undone: bool) -> None:
        for tank, spoilt in given:
            self.number += 1
            record = level_record(tank, BOOTS[0], self.number, 10.0 * self.number, spoilt=spoilt)
            self.waiting.append((self.pending._record(GivenRecord(record, None)), record))
        self.rows.begin()
        try:
            with transaction(self.connection):
                added = self.rows.add([piece for piece, _ in self.waiting])
                if undone:
                    raise sqlite3.OperationalError("the disk is full")
        except sqlite3.OperationalError:
            self.rows.undo()
            return
        self.rows.done(added)
        self.kept |= {row.position: record for row, (_, record) in zip(added, self.waiting, strict=True)}
        self.waiting.clear()

    def delete(self, count: int) -> None:
        if self.kept:
            up_to = min(self.kept) + count - 1
            with transaction(self.connection):
                self.connection.execute("DELETE FROM history WHERE position <= ?", (up_to,))
                forget_forms(self.connection, up_to + 1)
            self.kept = {position: record for position, record in self.kept.items() if position > up_to}

    def check(self) -> None:
        names, decode = Names(self.connection), Decoder()
        found = [entry_of(row, SITE, names, decode) for row in rows_between(self.connection, 0, 1 << 60, 10_000)]
        assert {each.position: each.record for each in found if isinstance(each, KeptRecord)} == self.kept
        assert len(found) == len(self.kept)


@pytest.fixture
def play(tmp_path: Path) -> Iterator[_Play]:
    with closing(_Play(tmp_path)) as made:
        yield made


@settings(max_examples=60, deadline=None)
@given(st.lists(_DONE, min_size=1, max_size=12))
def test_every_row_can_be_read_whatever_happens_to_the_file(done: list[tuple[str, object]]) -> None:
    """Commits that come to nothing, entries that go, a file that is lost while the process runs, another process."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        patched.setattr(forms, "_LONGEST", 5)
        patched.setattr(store, "_grow_wal", lambda connection: None)
        with closing(_Play(Path(folder))) as play:
            for what, given_ in done:
                match what, given_:
                    case "commit" | "undo", list(added):
                        play.add(added, undone=what == "undo")
                    case "delete", int(count):
                        play.delete(count)
                    case "another file", _:
                        play.open()
                    case _:
                        play.waiting.clear()
                        play.start()
                        play.begin()
                play.check()


def test_forms_go_when_nothing_is_left_that_was_made_with_them(play: _Play, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forms, "_LONGEST", 5)
    for _ in range(40):
        play.add([("TK-1", False), ("TK-2", False)], undone=False)
    (before,) = play.connection.execute("SELECT count(*) FROM forms").fetchone()
    assert before >= 14
    play.delete(70)
    play.check()
    (after,) = play.connection.execute("SELECT count(*) FROM forms").fetchone()
    assert 2 <= after <= 4, "10 rows are left, and 5 of each tank are made with one form"
    play.delete(10)
    assert play.connection.execute("SELECT count(*) FROM forms").fetchone() == (2,)


def test_a_form_that_is_damaged_or_gone_takes_only_its_own_records_with_it(play: _Play) -> None:
    for _ in range(6):
        play.add([("TK-1", False), ("TK-2", False)], undone=False)
    numbers = [number for (number,) in play.connection.execute("SELECT number FROM forms ORDER BY tank")]
    assert len(numbers) == 2
    play.connection.execute("UPDATE forms SET body = substr(body, 1, 50) WHERE number = ?", numbers[:1])
    names, decode = Names(play.connection), Decoder()
    found = [entry_of(row, SITE, names, decode) for row in rows_between(play.connection, 0, 1 << 60, 100)]
    troubles = {each.trouble for each in found if isinstance(each, Unreadable)}
    assert len(troubles) == 1
    assert troubles.pop().startswith(f"the form {numbers[0]}, which it was made with: it is damaged: it breaks off")
    assert [each.record.identity.tank for each in found if isinstance(each, KeptRecord)] == [
        *["TK-1", "TK-2"] * 2,
        *["TK-2"] * 4,
    ]
    with pytest.raises(BodyError, match="there is no form"):
        Decoder()(RECORD, numbers[1], b"", lambda number: None)


def test_a_file_that_is_begun_while_the_gateway_runs_has_the_forms_of_what_stands_in_it(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    for _ in range(6):
        stand.seconds += 10.0
        ledger.offer(stand.record())
    until(lambda: ledger.status().waiting == 0)
    for ending in ("", "-wal", "-shm"):
        Path(f"{stand.file}{ending}").unlink()
    for _ in range(6):
        stand.seconds += 10.0
        ledger.offer(stand.record())
    assert ledger.close(20.0)
    assert [record.identity.sequence for record in records_in(stand.file)] == [7, 8, 9, 10, 11, 12]
