"""A ledger looked through while its gateway goes on: what goes from its beginning meanwhile is no gap, all else is."""

from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.history import Entry
from gateway.ledger import verification
from gateway.ledger.codec import Decoder
from gateway.ledger.reading_thread import open_to_read
from gateway.ledger.verification import read_through
from tests.support.ledger_parts import ManualTransactions, PlainClock, Writing, new_file

RECORDS = 60
"""Of two tanks in turn."""


@settings(max_examples=60, deadline=None)
@given(
    gone=st.dictionaries(st.integers(1, RECORDS), st.integers(1, 30), max_size=4),
    missing=st.sets(st.integers(40, RECORDS - 4), max_size=3),
)
def test_what_goes_by_retention_meanwhile_is_no_gap(gone: dict[int, int], missing: set[int]) -> None:
    """`gone`: when the entry at a position is given, all up to another one has gone. Nothing goes from 31 on, so that
    each record that is missing from 40 on shows: by the one of its tank behind it, unless that is missing too."""
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(verification, "_SLICE", 5)
        path = Path(folder, "harbour.ledger")
        with closing(new_file(path)) as writer:
            transactions = ManualTransactions(writer, PlainClock())
            Writing(transactions).records(RECORDS)
            transactions.commit()
            writer.executemany("DELETE FROM history WHERE position = ?", [(each,) for each in missing])

            def meanwhile(entry: Entry) -> None:
                writer.execute("DELETE FROM history WHERE position <= ?", (gone.get(entry.position, 0),))

            with closing(open_to_read(path)) as reader:
                decode = Decoder(reader.execute("SELECT id, body FROM dictionaries").fetchall())
                through = read_through(reader, decode, meanwhile)
    assert not through.unreadable
    assert through.gaps.total == len([each for each in missing if each + 2 not in missing]), list(through.gaps)
