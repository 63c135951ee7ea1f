"""What people enter, as papers of the ledger: kept with what is told of it, and read when a file was opened."""

from collections.abc import Sequence
from concurrent.futures import Future
from datetime import datetime

import orjson
import structlog

from gateway.actions.answers import event_of
from gateway.actions.book import Book
from gateway.actions.entry import MAINTENANCE, Entry, entry_document, entry_from
from gateway.actions.held_product import HeldProduct, held_document, held_from
from gateway.actions.product_words import event_of_step
from gateway.actions.products import ProductStep
from gateway.history import GATEWAY
from gateway.keeping import Keeping
from gateway.ledger.papers import PRODUCT as PRODUCT_PAPER
from gateway.ledger.papers import REQUEST as REQUEST_PAPER
from gateway.ledger.papers import Paper

__all__ = ["EntryPapers"]

ENTRY_UNREADABLE = "entry.unreadable"
_UNREAD = "the ledger, which knows what tanks hold, cannot be read"


class EntryPapers:
    """Neither waits for a disk nor raises."""

    def __init__(self, keeping: Keeping, book: Book) -> None:
        self._keeping = keeping
        self._book = book
        self.times_read = 0
        """How many files were read so far: none knows nothing."""
        self._log = structlog.get_logger("gateway.actions")

    def keep(
        self,
        entries: Sequence[Entry],
        now: datetime,
        audit: tuple[int, str] | None = None,
        steps: Sequence[ProductStep] = (),
        begun: Sequence[HeldProduct] = (),
    ) -> "Future[None]":
        """All in one commit; the future has the error where nothing of it was kept."""
        products = self._book.products
        papers = [_paper_of(held) for held in (*begun, *(step.after for step in steps))]
        events = [(step.after.tank, event_of_step(step, products.name_with(step, now), now)) for step in steps]
        for entry in entries:
            body = orjson.dumps(entry_document(entry)).decode()
            tanks = self._book.tanks_of(entry)
            paper_tank = "" if entry.quantity == MAINTENANCE else entry.about
            papers.append(Paper(entry.key, paper_tank, round(entry.at.timestamp() * 1e9), body))
            events += [(tank, event_of(entry, now)) for tank in tanks or (GATEWAY,)]
        return self._keeping.keep_papers(papers, events, audit)

    def doubt(self) -> str:
        """Why nobody knows what the ledger knows; empty: what it knows was taken in."""
        is_unread = self._keeping.is_refused or (self._keeping.keeps_papers and not self.times_read)
        return _UNREAD if is_unread else ""

    @property
    def are_new(self) -> bool:
        """Whether a file was opened since they were read last."""
        return self._keeping.papers()[1] != self.times_read

    def read(self) -> tuple[tuple[Entry, ...], tuple[HeldProduct, ...]]:
        """What a file of the ledger has that is not known here."""
        papers, self.times_read = self._keeping.papers()
        entries, held = [], []
        for key, paper in papers.items():
            if paper.kind == REQUEST_PAPER:
                continue
            try:
                if paper.kind == PRODUCT_PAPER:
                    held.append(held_from(paper.body))
                    continue
                entry = entry_from(paper.body)
            except ValueError as error:
                self._log.error(ENTRY_UNREADABLE, entry=key, error=str(error))
                continue
            if self._book.entry(key) != entry:
                entries.append(entry)
        return tuple(entries), self._book.products.unknown(held)


def _paper_of(held: HeldProduct) -> Paper:
    body = orjson.dumps(held_document(held)).decode()
    return Paper(held.key, held.tank, round(held.since.timestamp() * 1e9), body, PRODUCT_PAPER)
