"""What people have entered of the same things that a site file gives, by the ledger on this machine."""

from contextlib import suppress
from datetime import datetime

from gateway.actions.answers import standing_text
from gateway.actions.book import Book
from gateway.actions.entry import entry_from
from gateway.actions.held_product import held_from
from gateway.actions.product_words import products_told
from gateway.clock import utc_now
from gateway.errors import LedgerError
from gateway.files import trouble_with
from gateway.ledger.opening import ledger_path
from gateway.ledger.papers import PRODUCT, REQUEST, newest_papers
from gateway.ledger.reading_file import opened, site_of
from gateway.settings.site import SiteSettings
from gateway.settings.tanks.plans import TankSetup

__all__ = ["entered_beside", "held_beside"]


def entered_beside(file: str, settings: SiteSettings) -> list[str]:
    """Two masters of one fact, and entries that this file does not allow: a line each. None where no ledger is here."""
    now = utc_now()
    book = _book_beside(settings, now)
    if book is None:
        return []
    products = products_told(book.products.remarks(now))
    return [f"{file}: {tank}: {text}" for tank, text in products] + [
        f"{file}: {each.entry.about}: in the ledger stands {standing_text(each)}"
        for each in book.standings(now)
        if each.other or each.trouble
    ]


def held_beside(settings: SiteSettings, setup: TankSetup, at: datetime) -> tuple[TankSetup, str]:
    """The tank with the product that it held at `at` by the ledger on this machine, and what is to be known of that."""
    book = _book_beside(settings, utc_now())
    if book is None:
        return setup, ""
    held = book.products.setup_at(setup.plan.tank, at)
    written, name = setup.plan.product.name, held.plan.product.name
    if name == written:
        return held, ""
    return held, f"the site file says {written}; by the ledger {setup.plan.tank} held {name} then, which counts"


def _book_beside(settings: SiteSettings, now: datetime) -> Book | None:
    """What stands in the ledger on this machine; None where there is none that can be read."""
    if settings.ledger is None:
        return None
    try:
        path = ledger_path(settings.ledger, settings.name)
        if trouble_with(path) is not None:
            return None
        with opened(path) as connection:
            if site_of(connection) != settings.name:
                return None
            papers = newest_papers(connection)
    except LedgerError:
        return None
    book = Book()
    book.take_over(settings, now)
    entries, held = [], []
    for paper in papers.values():
        if paper.kind == REQUEST:
            continue
        with suppress(ValueError):
            if paper.kind == PRODUCT:
                held.append(held_from(paper.body))
            else:
                entries.append(entry_from(paper.body))
    book.turn(now, held, entries)
    return book
