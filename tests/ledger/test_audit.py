"""The audit trail: whatever is done to a row shows, and the first one is named."""

import hashlib
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.ledger.audit import AuditRow, adding, audit_rows, first_broken, link
from tests.support.ledger_parts import new_file


def chain(bodies: list[str]) -> list[AuditRow]:
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE TABLE audit (number INTEGER PRIMARY KEY, instant_ns INTEGER, body TEXT, hash BLOB)")
    for instant, body in enumerate(bodies):
        adding(instant * 1000, body)(connection)
    found = list(audit_rows(connection))
    connection.close()
    return found


def test_the_hash_is_what_its_words_say() -> None:
    """Worked out by hand: number, instant, hash before, body."""
    before = hashlib.sha256(b"tank-gateway/audit/1").digest()
    expected = hashlib.sha256(
        b"\x00\x00\x00\x00\x00\x00\x00\x01" + b"\x00\x00\x00\x00\x00\x00\x03\xe8" + before + "é".encode()
    ).digest()
    assert link(1, 1000, "é", before) == expected


def test_a_chain_in_the_file_of_a_ledger(tmp_path: Path) -> None:
    connection = new_file(tmp_path / "ledger.db")
    assert [adding(number, f"entry {number}")(connection) for number in range(5)] == [1, 2, 3, 4, 5]
    assert first_broken(audit_rows(connection)) is None
    connection.execute("UPDATE audit SET body = 'entry 9' WHERE number = 3")
    broken = first_broken(audit_rows(connection))
    assert broken is not None
    assert broken.number == 3
    connection.close()


@settings(max_examples=40)
@given(
    bodies=st.lists(st.text(max_size=20), min_size=1, max_size=8),
    place=st.integers(0, 7),
    how=st.sampled_from(["body", "instant", "hash", "out", "in", "swapped"]),
)
def test_whatever_is_done_to_a_row_shows(bodies: list[str], place: int, how: str) -> None:
    rows = chain(bodies)
    assert first_broken(rows) is None
    at = place % len(rows)
    row = rows[at]
    changed = list(rows)
    match how:
        case "body":
            changed[at] = row._replace(body=row.body + "x")
        case "instant":
            changed[at] = row._replace(instant_ns=row.instant_ns + 1)
        case "hash":
            changed[at] = row._replace(hash=bytes([row.hash[0] ^ 1]) + row.hash[1:])
        case "out":
            del changed[at]
        case "in":
            forged = AuditRow(row.number, 7, "forged", link(row.number, 7, "forged", row.hash))
            changed = [*rows[:at], forged, *(each._replace(number=each.number + 1) for each in rows[at:])]
        case _:
            if len(rows) < 2:
                return
            other = (at + 1) % len(rows)
            changed[at], changed[other] = (
                rows[other]._replace(number=row.number),
                row._replace(number=rows[other].number),
            )
    broken = first_broken(changed)
    if how == "out" and at == len(rows) - 1:
        assert broken is None, "of what is missing at the end no chain can tell"
        return
    assert broken is not None
    first = next(index for index, (a, b) in enumerate(zip(rows, changed, strict=False)) if a != b)
    assert broken.number == rows[first].number


def test_an_empty_chain_is_whole() -> None:
    assert first_broken([]) is None


@pytest.mark.parametrize("start", [0, 2])
def test_a_chain_that_begins_elsewhere_is_broken(start: int) -> None:
    rows = chain(["a", "b", "c"])
    shifted = [row._replace(number=row.number - 1 + start) for row in rows]
    broken = first_broken(shifted)
    assert broken is not None
    assert broken.number == 1
