"""What people have entered of the same things that a site file gives, by the ledger on this machine."""

from contextlib import suppress

from gateway.actions.answers import standing_text
from gateway.actions.book import Book
from gateway.actions.entry import entry_from
from gateway.actions.held_product import held_from
from gateway.actions.product_words import products_told
from gateway.clock import utc_now
from gateway.errors import LedgerError
from gateway.files import trouble_with
from gateway.ledger.opening import ledger_path
from gateway.ledger.papers import PRODUCT, newest_papers
from gateway.ledger.reading_file import opened, site_of
from gateway.settings.site import SiteSettings

__all__ = ["entered_beside"]


def entered_beside(file: str, settings: SiteSettings) -> list[str]:
    """Two masters of one fact, and entries that this file does not allow: a line each. None where no ledger is here."""
    if settings.ledger is None:
        return []
    book, now = Book(), utc_now()
    book.take_over(settings, now)
    try:
        path = ledger_path(settings.ledger, settings.name)
        if trouble_with(path) is not None:
            return []
        with opened(path) as connection:
            if site_of(connection) != settings.name:
                return []
            papers = newest_papers(connection)
    except LedgerError:
        return []
    entries, held = [], []
    for paper in papers.values():
        with suppress(ValueError):
            if paper.kind == PRODUCT:
                held.append(held_from(paper.body))
            else:
                entries.append(entry_from(paper.body))
    book.turn(now, held)
    book.put(entries, now)
    products = products_told(book.products.remarks(now))
    return [f"{file}: {tank}: {text}" for tank, text in products] + [
        f"{file}: {each.entry.about}: in the ledger stands {standing_text(each)}"
        for each in book.standings(now)
        if each.other or each.trouble
    ]
