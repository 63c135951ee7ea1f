"""What people did, as a chain: each row carries the hash of itself and of the row before it.

Whoever changes a row, takes one out or puts one in has to change every row behind it. That rows at the end are missing
no chain can show: who must know keeps the newest hash elsewhere.
"""

import hashlib
import sqlite3
from collections.abc import Iterable
from functools import partial
from typing import NamedTuple

from gateway.ledger.contract import Action

__all__ = ["AuditRow", "Broken", "adding", "audit_rows", "first_broken", "link", "newest_row"]

_BEGIN = hashlib.sha256(b"tank-gateway/audit/1").digest()
"""In place of the hash before the first row."""


class AuditRow(NamedTuple):
    """One row; numbers count from 1."""

    number: int
    instant_ns: int
    body: str
    hash: bytes


class Broken(NamedTuple):
    """The first row that is not as it was written, or not where it was."""

    number: int
    trouble: str


def link(number: int, instant_ns: int, body: str, before: bytes) -> bytes:
    """SHA-256 over number and instant (8 bytes each, big-endian), the hash before, and the body in UTF-8."""
    head = number.to_bytes(8, "big", signed=True) + instant_ns.to_bytes(8, "big", signed=True)
    return hashlib.sha256(head + before + body.encode("utf-8", "surrogatepass")).digest()


def adding(instant_ns: int, body: str) -> Action[int]:
    """To be done within a transaction; gives the number of the new row."""
    return partial(_add, instant_ns=instant_ns, body=body)


def audit_rows(connection: sqlite3.Connection) -> Iterable[AuditRow]:
    """All, in order."""
    for row in connection.execute("SELECT number, instant_ns, body, hash FROM audit ORDER BY number"):
        yield AuditRow(*row)


def newest_row(connection: sqlite3.Connection) -> AuditRow | None:
    """None: nobody has done anything yet."""
    row = connection.execute("SELECT number, instant_ns, body, hash FROM audit ORDER BY number DESC LIMIT 1").fetchone()
    return None if row is None else AuditRow(*row)


def first_broken(rows: Iterable[AuditRow]) -> Broken | None:
    """None: the chain is whole."""
    before, expected = _BEGIN, 1
    for row in rows:
        if row.number != expected:
            return Broken(expected, f"it is missing: {row.number} stands where {expected} should")
        if link(row.number, row.instant_ns, row.body, before) != row.hash:
            return Broken(row.number, "its hash is not that of what stands in it and before it")
        before, expected = row.hash, expected + 1
    return None


def _add(connection: sqlite3.Connection, instant_ns: int, body: str) -> int:
    newest = connection.execute("SELECT number, hash FROM audit ORDER BY number DESC LIMIT 1").fetchone()
    last, before = newest or (0, _BEGIN)
    number = int(last) + 1
    values = (number, instant_ns, body, link(number, instant_ns, body, before))
    connection.execute("INSERT INTO audit VALUES (?, ?, ?, ?)", values)
    return number
