"""Starts of the gateway as the ledger knows them, and what is told in history of starts, ends and losses."""

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import NamedTuple

from gateway.ledger.intake import Lost
from gateway.records import ReasonCode, because
from gateway.tank_record import Event, EventKind

__all__ = [
    "Boot",
    "broken_off",
    "commit_within",
    "end_boot",
    "file_removed",
    "file_set_aside",
    "history_lost",
    "started",
    "stopped",
]


class Boot(NamedTuple):
    """This start of the gateway."""

    site: str
    boot: str
    version: str
    commit_s: float
    started_ns: int
    """UTC."""


def broken_off(connection: sqlite3.Connection, now_ns: int) -> list[Event]:
    """Notes that those processes ended that have not said so, within a transaction; what there is to tell of each."""
    return list(_broken_off(connection, now_ns))


def end_boot(connection: sqlite3.Connection, boot: str, now_ns: int, lost: int) -> None:
    """A clean end, within a transaction: all that was taken in is in the file, but for what was lost."""
    connection.execute("UPDATE boots SET ended_ns = ?, is_clean = 1, lost = ? WHERE boot = ?", (now_ns, lost, boot))


def commit_within(connection: sqlite3.Connection, boot: str, commit_s: float) -> None:
    """Another interval from now on, within a transaction: what is told of this start, should it break off."""
    connection.execute("UPDATE boots SET commit_s = ? WHERE boot = ?", (commit_s, boot))


def started(boot: Boot) -> Event:
    return Event(EventKind.GATEWAY_STARTED, _time(boot.started_ns), boot.boot)


def stopped(boot: Boot, now_ns: int) -> Event:
    return Event(EventKind.GATEWAY_STOPPED, _time(now_ns), boot.boot)


def history_lost(lost: Lost, now_ns: int) -> Event:
    """What there was no room for while the disk took in nothing."""
    return Event(
        EventKind.HISTORY_LOST,
        _time(now_ns),
        reason=because(
            ReasonCode.NOT_KEPT,
            "{count} records and events from {first:utc} to {last:utc} are not in the ledger: the disk did not take"
            " them in",
            count=lost.entries,
            first=lost.first.timestamp(),
            last=lost.last.timestamp(),
        ),
    )


def file_set_aside(name: str, now_ns: int) -> Event:
    """What was in a damaged file, and not delivered yet, is not delivered from here."""
    return Event(
        EventKind.HISTORY_LOST,
        _time(now_ns),
        reason=because(
            ReasonCode.LEDGER_DAMAGED,
            "the ledger's file was damaged; it is set aside as {file}, and history begins anew",
            file=name,
        ),
    )


def file_removed(now_ns: int) -> Event:
    """Somebody took the file away from under the process: what was not delivered from it is in no file of ours."""
    return Event(
        EventKind.HISTORY_LOST,
        _time(now_ns),
        reason=because(
            ReasonCode.LEDGER_DAMAGED,
            "the ledger's file was taken away while it was in use, and history begins anew",
        ),
    )


def _broken_off(connection: sqlite3.Connection, now_ns: int) -> Iterator[Event]:
    last = connection.execute("SELECT boot, instant_ns FROM history ORDER BY position DESC LIMIT 1").fetchone()
    open_ones = connection.execute(
        "SELECT id, boot, commit_s, started_ns FROM boots WHERE ended_ns IS NULL ORDER BY id"
    ).fetchall()
    for number, boot, commit_s, started_ns in open_ones:
        # What a process wrote stands behind all that those before it wrote: the last row is its own, or it wrote none.
        last_ns = last[1] if last is not None and last[0] == number else started_ns
        connection.execute("UPDATE boots SET ended_ns = ?, is_clean = 0 WHERE id = ?", (last_ns, number))
        yield Event(
            EventKind.GATEWAY_BROKE_OFF,
            _time(now_ns),
            boot,
            because(
                ReasonCode.BROKE_OFF,
                "the gateway before ended without a word: what it took in after {last:utc} is not in the ledger; on a"
                " disk that takes everything in, that is the last {at_most:duration} at most",
                last=last_ns / 1e9,
                at_most=float(commit_s),
            ),
        )


def _time(utc_ns: int) -> datetime:
    return datetime.fromtimestamp(utc_ns / 1e9, UTC)
