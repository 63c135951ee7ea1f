"""What programs are told of the accounts over HTTP: transfers, tickets, days, and the stock of now."""

from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

import orjson

from gateway.account.gauging import gauging_of
from gateway.account.paper import PaperKind
from gateway.account.stock import stock_of
from gateway.desk.accounting import Accounting
from gateway.desk.asked_times import instant_asked
from gateway.desk.told import CAUTION, open_documents, open_sentences, paper_read, told_document, told_paper
from gateway.errors import UsageError
from gateway.ledger.account_papers import Span, in_span
from gateway.ledger.document_reading import tickets_with
from gateway.payload.outside import outside
from gateway.payload.plain import iso_time
from gateway.payload.told import reasons_in, sentence_documents

__all__ = ["AccountPages"]

TRANSFERS_SCHEMA = "tank-gateway/transfers/1"
TICKETS_SCHEMA = "tank-gateway/tickets/1"
STOCK_SCHEMA = "tank-gateway/stock/1"
DAYS_SCHEMA = "tank-gateway/days/1"
AMOUNTS_SCHEMA = "tank-gateway/amounts/1"
_LATE = timedelta(days=31)
"""Unless it is asked for otherwise."""
_AT_MOST = 1000
_MOST_DIGITS = 15
"""Of a ticket's number: more of them no ledger can count."""
_YES = ("yes", "true", "1")
Asked = Callable[[Mapping[str, str]], Awaitable[bytes]]


class AccountPages:
    """Raises UsageError for what was asked wrongly, NotKeptError where the ledger cannot be read."""

    def __init__(self, site: str, accounts: Accounting) -> None:
        self._site = site
        self._accounts = accounts

    @property
    def pages(self) -> Mapping[str, Asked]:
        """By path."""
        return {
            "/transfers": self.transfers,
            "/tickets": self.tickets,
            "/stock": self.stock,
            "/days": self.days,
            "/amounts": self.amounts,
        }

    async def transfers(self, asked: Mapping[str, str]) -> bytes:
        """Those that are not over; `all=yes`: and those of the last 31 days that are. Without a book none is kept."""
        _refuse_others(asked, "all")
        accounts, book = self._accounts, self._accounts.book
        now = accounts.now()
        found = [] if book is None else open_documents(accounts.plan, book, accounts.sheets(), now)
        if asked.get("all", "").lower() in _YES:
            span = Span(PaperKind.TRANSFER, now - _LATE, None, _AT_MOST)
            documents, _ = await accounts.read(lambda connection: in_span(connection, span))
            is_open = {each["number"] for each in found}
            newest = {each["number"]: each for each in (told_document(span.kind, document) for document in documents)}
            found += [
                {name: value for name, value in each.items() if name not in ("schema", "notice")} | {"progress": None}
                for number, each in sorted(newest.items())
                if number not in is_open
            ]
        sentences = [] if book is None else open_sentences(accounts.plan, book, accounts.sheets(), now)
        return self._page(TRANSFERS_SCHEMA, kept=book is not None, transfers=found, sentences=sentences)

    async def tickets(self, asked: Mapping[str, str]) -> bytes:
        """`from` and `until`: when they were made; the last 31 days unless given. `number`: that one whenever it was
        made, with all that takes it back, stands in its place, or is taken back or replaced by it."""
        if "number" not in asked:
            return await self._papers(TICKETS_SCHEMA, PaperKind.TICKET, "tickets", asked)
        _refuse_others(asked, "number")
        text = asked["number"]
        if not text.isdecimal() or not text.isascii() or len(text) > _MOST_DIGITS:
            raise UsageError(f"number: '{text}' is no number of a ticket", "give for example 12")
        tickets = await self._accounts.read(lambda connection: tickets_with(connection, int(text)))
        begin = min((ticket.made for ticket in tickets), default=self._accounts.now())
        told = [told_paper(PaperKind.TICKET, ticket) for ticket in tickets]
        sentences = sentence_documents(reasons_in(tickets))
        return self._page(TICKETS_SCHEMA, **_span(begin, None), complete=True, tickets=told, sentences=sentences)

    async def days(self, asked: Mapping[str, str]) -> bytes:
        """`from` and `until`: when they ended; every revision. `brief=yes`: without what was in each tank, by which
        many days are long."""
        brief = asked.get("brief", "").lower() in _YES
        span = {name: text for name, text in asked.items() if name != "brief"}
        return await self._papers(DAYS_SCHEMA, PaperKind.DAY, "days", span, without=("tanks",) if brief else ())

    async def amounts(self, asked: Mapping[str, str]) -> bytes:
        """`from` and `until`: when they were moved; those that take others back too."""
        return await self._papers(AMOUNTS_SCHEMA, PaperKind.AMOUNT, "amounts", asked)

    async def stock(self, asked: Mapping[str, str]) -> bytes:
        """By the newest sheet of each tank."""
        _refuse_others(asked)
        accounts = self._accounts
        gaugings = {tank: gauging_of(record) for tank, record in accounts.sheets().items()}
        stock = stock_of(accounts.plan, gaugings, accounts.products, accounts.now())
        found = outside(stock)
        return self._page(
            STOCK_SCHEMA,
            products=found["products"],
            owners=found["owners"],
            whole=found["site"],
            oldest=found["oldest"],
            sentences=sentence_documents(reasons_in(stock)),
        )

    async def _papers(
        self, schema: str, kind: PaperKind, name: str, asked: Mapping[str, str], *, without: tuple[str, ...] = ()
    ) -> bytes:
        """`without`: lists of each that are left empty."""
        _refuse_others(asked, "from", "until")
        begin, until = self._instant(asked, "from"), self._instant(asked, "until")
        if begin is None:
            begin = (until or self._accounts.now()) - _LATE
        if until is not None and begin >= until:
            raise UsageError(f"until {asked['until']} is not after from", "give the earlier one as from")
        span = Span(kind, begin, until, _AT_MOST)

        def told(connection: Any) -> tuple[list[dict[str, Any]], list[dict[str, Any]], bool]:
            documents, is_whole = in_span(connection, span)
            empty: dict[str, Any] = {each: [] for each in without}
            papers = [paper_read(kind, {**document, **empty}) for document in documents]
            return [told_paper(kind, paper) for paper in papers], sentence_documents(reasons_in(papers)), is_whole

        found, sentences, is_whole = await self._accounts.read(told)
        return self._page(schema, **_span(begin, until), complete=is_whole, **{name: found}, sentences=sentences)

    def _instant(self, asked: Mapping[str, str], name: str) -> datetime | None:
        text = asked.get(name)
        return None if text is None else instant_asked(self._accounts.plan, name, text)

    def _page(self, schema: str, **members: Any) -> bytes:
        accounts = self._accounts
        head = {
            "schema": schema,
            "site": self._site,
            "time": iso_time(accounts.now()),
            "time_zone": accounts.plan.time_zone,
            "simulated": accounts.plan.simulated,
            "notice": CAUTION,
        }
        return orjson.dumps(head | members)


def _span(begin: datetime, until: datetime | None) -> dict[str, Any]:
    return {"from": iso_time(begin), "until": None if until is None else iso_time(until)}


def _refuse_others(asked: Mapping[str, str], *known: str) -> None:
    for name in asked:
        if name not in known:
            raise UsageError(f"'{name}' is nothing that this page knows", f"it knows: {', '.join(known) or 'nothing'}")
