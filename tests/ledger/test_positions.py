"""A position is never given to two entries, be history empty: destinations know what they have by it."""

import gzip
from pathlib import Path

from gateway.ledger.blocks import ends, take_out
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.intake import GivenRecord
from gateway.ledger.pending import Pending
from gateway.ledger.pruning import pruned
from gateway.ledger.rows import Rows
from gateway.ledger.store import open_store, transaction
from tests.support.ledger_store import BOOTS, SITE, level_record

OLD = Path(__file__).parent / "kept" / "0001.ledger.gz"
LATER_NS = 1 << 62


def _with_five(path: Path) -> None:
    connection = open_store(path, SITE, 0).connection
    rows, pending = Rows(connection), Pending(SITE, BOOTS[0], Encoder(present_dictionary()))
    with transaction(connection):
        rows.add_boot(BOOTS[0], "", 1.0, 0)
        given = [GivenRecord(level_record("TK-1", BOOTS[0], each, float(each)), None) for each in range(1, 6)]
        rows.add([pending._record(each) for each in given])
    assert rows.last == 5
    connection.close()


def test_they_go_on_where_all_of_history_has_gone(tmp_path: Path) -> None:
    for number, by_hand in enumerate((False, True)):
        path = tmp_path / f"{number}.ledger"
        _with_five(path)
        connection = open_store(path, SITE, 0).connection
        with transaction(connection):
            gone = pruned(connection, LATER_NS, 0, also_needed=True).deleted if by_hand else take_out(connection, 5)
        assert gone == 5
        # As `ledger prune --shrink` does: what SQLite kept account of positions by is no longer there after it.
        connection.execute("VACUUM")
        connection.close()
        connection = open_store(path, SITE, 0).connection
        assert ends(connection) == (6, 5)
        assert Rows(connection).last == 5
        connection.close()


def test_they_go_on_where_all_has_gone_from_a_file_of_the_first_version(tmp_path: Path) -> None:
    """There SQLite itself kept account of them, which the file still has when it is brought to this version."""
    path = tmp_path / "old.ledger"
    path.write_bytes(gzip.decompress(OLD.read_bytes()))
    connection = open_store(path, "site", 0).connection
    (last,) = connection.execute("SELECT max(position) FROM history").fetchone()
    connection.execute("DELETE FROM history")
    connection.close()
    connection = open_store(path, "site", 0).connection
    assert Rows(connection).last == last
    with transaction(connection):
        take_out(connection, last + 3)
    assert ends(connection).last == last + 3
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


def test_no_page_is_written_for_them(tmp_path: Path) -> None:
    path = tmp_path / "x.ledger"
    _with_five(path)
    connection = open_store(path, SITE, 0).connection
    assert connection.execute("SELECT count(*) FROM sqlite_sequence").fetchone() == (0,)
    connection.close()
