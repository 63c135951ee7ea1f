"""For the tests of the ledger: a clock, records like those of a site, and what is in a file."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from gateway.history import Previous
from gateway.ledger.blocks import EVENT, RECORD
from gateway.ledger.codec import Decoder
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput
from gateway.tank_record import Event, EventKind, Identity, TankRecord
from tests.support.records import inventory

__all__ = [
    "BOOTS",
    "PATIENCE_S",
    "SITE",
    "Moment",
    "Stand",
    "events_in",
    "happened",
    "level_record",
    "previous_in",
    "records_in",
    "rows_in",
    "until",
]

SITE = "north yard"
BOOTS = [f"{number:032x}" for number in range(1, 9)]
PATIENCE_S = 20.0
BEGIN = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)
_SPOILT = Figure(None, Quality.BAD, (Reason(ReasonCode.NO_ANSWER, "gauge did not answer"),), 75.0)


class Moment:
    """A clock that stands still."""

    def __init__(self, utc_ns: int, steady_ns: int) -> None:
        self._utc_ns, self._steady_ns = utc_ns, steady_ns

    def utc_ns(self) -> int:
        return self._utc_ns

    def monotonic_ns(self) -> int:
        return self._steady_ns


class Stand:
    """A site whose time goes when the test says so."""

    def __init__(self, folder: Path, **plan: Any) -> None:
        self.plan = LedgerPlan(**{"file": folder / "north.ledger", "commit_s": 0.01, **plan})
        self.seconds = 0.0
        self.sequences: dict[tuple[str, str], int] = {}

    @property
    def file(self) -> Path:
        assert self.plan.file is not None
        return self.plan.file

    def utc_ns(self) -> int:
        return round((BEGIN + timedelta(seconds=self.seconds)).timestamp() * 1e9)

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def open(self, boot: int = 0, site: str = SITE) -> Ledger:
        return Ledger.open(self.plan, site, BOOTS[boot], self)

    def record(self, tank: str = "TK-1", boot: int = 0, **given: Any) -> TankRecord:
        """The next sheet of the tank, at the time of now."""
        key = tank, BOOTS[boot]
        self.sequences[key] = self.sequences.get(key, 0) + 1
        return level_record(tank, BOOTS[boot], self.sequences[key], self.seconds, **given)


def level_record(
    tank: str, boot: str, sequence: int, seconds: float, *, spoilt: bool = False, events: tuple[Event, ...] = ()
) -> TankRecord:
    instant = BEGIN + timedelta(seconds=seconds)
    level = _SPOILT if spoilt else Figure(1.0 + sequence / 1000.0, Quality.GOOD, (), 0.5)
    sheet = inventory(tank, instant=instant, level=level)
    given = TankInput(tank, instant, steady_s=1000.0 + seconds)
    return TankRecord(Identity(SITE, tank, boot, sequence), given, sheet, events=events, plan="p" * 32)


def happened(seconds: float, subject: str = "alarm") -> Event:
    return Event(EventKind.HISTORY_LOST, BEGIN + timedelta(seconds=seconds), subject)


def until(is_so: Callable[[], bool]) -> None:
    """Waits for what another thread brings about."""
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < end, "it did not come about"
        threading.Event().wait(0.002)


@contextmanager
def _reading(file: Path) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)
    try:
        yield connection
    finally:
        connection.close()


def rows_in(file: Path, query: str = "SELECT * FROM history ORDER BY position") -> list[tuple[Any, ...]]:
    with _reading(file) as connection:
        return connection.execute(query).fetchall()


def _bodies(file: Path, kind: int) -> Iterator[tuple[Identity, Any, Previous | None]]:
    decoder = Decoder(rows_in(file, "SELECT id, body FROM dictionaries"))
    has_forms = rows_in(file, "SELECT 1 FROM sqlite_master WHERE name = 'forms'")
    forms = {
        number: (packed_by, body)
        for number, packed_by, body in (
            rows_in(file, "SELECT number, dictionary, body FROM forms") if has_forms else ()
        )
    }
    tanks = dict(rows_in(file, "SELECT id, name FROM tanks"))
    boots = dict(rows_in(file, "SELECT id, boot FROM boots"))
    for _, its_kind, tank, boot, sequence, _, _, dictionary, body, before, before_sequence in rows_in(file):
        if its_kind == kind:
            identity = Identity(SITE, tanks[tank], boots[boot], sequence)
            previous = None if before is None else Previous(boots[before], before_sequence)
            yield identity, decoder(kind, dictionary, body, forms.get), previous


def records_in(file: Path) -> list[TankRecord]:
    return [record._replace(identity=identity) for identity, record, _ in _bodies(file, RECORD)]


def previous_in(file: Path) -> list[Previous | None]:
    """Of each record."""
    return [previous for *_, previous in _bodies(file, RECORD)]


def events_in(file: Path) -> list[tuple[Identity, Event]]:
    return [(identity, event) for identity, event, _ in _bodies(file, EVENT)]
