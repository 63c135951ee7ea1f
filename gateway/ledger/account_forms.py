"""Papers of the accounts as records, and rows of history as sheets: what reads of the accounts are made of."""

import sqlite3
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, TypeVar

from gateway.account.amount import AMOUNT, Amount
from gateway.account.day import DAY, DayClose
from gateway.account.ticket import TICKET, Ticket
from gateway.account.transfer import TRANSFER, Transfer
from gateway.history import KeptRecord
from gateway.ledger.account_papers import PaperError, StoredPaper
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import Names, entry_of
from gateway.ledger.reading_file import site_of
from gateway.plain_form import PlainForm, PlainFormError
from gateway.tank_record import TankRecord

__all__ = ["all_of", "amount_from", "day_from", "decoded", "readable", "ticket_from", "transfer_from", "utc_ns"]

T = TypeVar("T")


def ticket_from(document: Mapping[str, Any]) -> Ticket:
    """Raises PlainFormError."""
    return _from(TICKET, document)


def amount_from(document: Mapping[str, Any]) -> Amount:
    """Raises PlainFormError."""
    return _from(AMOUNT, document)


def transfer_from(document: Mapping[str, Any]) -> Transfer:
    """Raises PlainFormError."""
    return _from(TRANSFER, document)


def day_from(document: Mapping[str, Any]) -> DayClose:
    """Raises PlainFormError."""
    return _from(DAY, document)


def _from(form: PlainForm[T], document: Mapping[str, Any]) -> T:
    return form.from_plain({name: value for name, value in document.items() if name not in ("schema", "key")})


def all_of(form: PlainForm[T], papers: Iterable[StoredPaper | PaperError]) -> list[T]:
    """Raises PaperError for one that cannot be read: without it a balance would be wrong, and look right."""
    found = []
    for paper in papers:
        if isinstance(paper, PaperError):
            raise paper
        try:
            found.append(_from(form, paper.document))
        except PlainFormError as error:
            raise PaperError(f"{paper.key} cannot be read: {error}") from error
    return found


def readable(form: PlainForm[T], papers: Iterable[StoredPaper | PaperError]) -> list[T]:
    """A paper that nobody can read keeps back no other; `ledger verify` names it."""
    found = []
    for paper in papers:
        if isinstance(paper, StoredPaper):
            try:
                found.append(_from(form, paper.document))
            except PlainFormError:
                continue
    return found


def decoded(connection: sqlite3.Connection, names: Names, rows: Mapping[str, Row]) -> dict[str, TankRecord]:
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    site = site_of(connection)
    found = {}
    for tank, row in rows.items():
        entry = entry_of(row, site, names, decode)
        if isinstance(entry, KeptRecord):
            found[tank] = entry.record
    return found


def utc_ns(instant: datetime) -> int:
    return round(instant.timestamp() * 1e9)
