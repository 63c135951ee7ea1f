"""What the demo's accounts have made so far, by its ledger: for people who name a tank, and for whoever watches."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from gateway.account.day import DAY, DayClose
from gateway.account.paper import PaperKind
from gateway.account.ticket import TICKET, Ticket
from gateway.account.transfer import TRANSFER, Transfer, TransferPhase
from gateway.account.transfers.words import amount_words, measure_words, moved_words
from gateway.ledger.account_papers import StoredPaper, papers_between
from gateway.ledger.reading_file import opened
from gateway.plain_form import PlainForm
from gateway.records import Quality

__all__ = ["DemoBooks"]

_FOREVER_NS = 1 << 62
T = TypeVar("T")


class DemoBooks:
    """Reads the file: not from the loop."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._told: set[str] = set()

    def number_of(self, what: str, tank: str) -> int | None:
        """Of the newest `transfer` that is not over, or of the newest `ticket`, of a tank; None where there is none."""
        if what == "ticket":
            found = [each.number for each in self._all(PaperKind.TICKET, TICKET) if tank in _tanks(each)]
        else:
            newest = {each.number: each for each in self._all(PaperKind.TRANSFER, TRANSFER)}
            found = [n for n, each in newest.items() if tank in _tanks(each) and not each.phase.is_over]
        return max(found, default=None)

    def news(self) -> list[tuple[datetime, str]]:
        """What has come since it was asked last: each with when that was, UTC."""
        found: list[tuple[datetime, str, str]] = []
        for transfer in self._all(PaperKind.TRANSFER, TRANSFER):
            if transfer.phase is TransferPhase.PROPOSED:
                text = f"{_tanks(transfer)[0]} moves and nobody has said why: transfer {transfer.number} is proposed"
                found.append((transfer.since, transfer.key, text))
        for ticket in self._all(PaperKind.TICKET, TICKET):
            kind, tanks = ticket.kind.replace("_", " "), " and ".join(_tanks(ticket))
            text = f"ticket {ticket.number}: {kind}, {tanks}: {moved_words(ticket.moved, ticket.kind)}"
            found.append((ticket.made, ticket.key, text + _doubt(ticket.quality, [r.text for r in ticket.reasons])))
        found += [(day.made, day.key, _of_day(day)) for day in self._all(PaperKind.DAY, DAY)]
        new = [(at, text) for at, key, text in found if key not in self._told]
        self._told |= {key for _, key, _ in found}
        return new

    def _all(self, kind: PaperKind, form: PlainForm[T]) -> Iterator[T]:
        with opened(self._file) as connection:
            papers = list(papers_between(connection, kind, 0, _FOREVER_NS))
        readable = (each for each in papers if isinstance(each, StoredPaper))
        for paper in sorted(readable, key=lambda each: each.number):
            body = {name: value for name, value in paper.document.items() if name not in ("schema", "key")}
            yield form.from_plain(body)


def _tanks(paper: Transfer | Ticket) -> list[str]:
    return [side.tank for side in paper.sides]


def _doubt(quality: Quality, why: list[str]) -> str:
    return "" if quality is Quality.GOOD else f" ({quality.word.lower()}: {'; '.join(why[:2])})"


def _of_day(day: DayClose) -> str:
    gains = []
    for balance in day.balances:
        gain = balance.gain.value
        if gain is not None:
            words = amount_words(abs(gain), balance.measure)
            gains.append(f"{balance.product} {'-' if gain < 0.0 else '+'}{words} {measure_words(balance.measure)}")
    told = f"; gain and loss: {', '.join(gains)}" if gains else "; the first close: there is no opening to compare with"
    return f"day {day.day} is closed, revision {day.revision}{told}"
