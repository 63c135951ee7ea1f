"""What a ledger has of the accounts of a site, and by which clock and in which units people there read it."""

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

from gateway.account.amount import AMOUNT, Amount
from gateway.account.commands import AccountRefusedError
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import Day, boundary, day_named
from gateway.account.paper import PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import TICKET, Ticket, TicketLink, taken_back_words
from gateway.errors import GatewayError, UsageError
from gateway.ledger.account_papers import PaperError, StoredPaper, newest_day, paper_of, papers_between
from gateway.ledger.document_reading import tickets_with
from gateway.plain_form import PlainForm, PlainFormError
from gateway.reports.plan import ReportPlan
from gateway.reports.tables.scales import Scale
from gateway.settings import TankSetup

__all__ = ["Books", "lacking", "read_paper", "scales_of"]

_FOREVER_NS = 1 << 62
T = TypeVar("T")


@dataclass(frozen=True)
class Books:
    """One ledger, open to be read."""

    path: Path
    connection: sqlite3.Connection
    site: str
    account: AccountPlan
    reports: ReportPlan
    simulated: bool
    scales: Mapping[str, Scale]
    progress: Callable[[str], None]
    """Told what is being read, for people who wait."""

    def day(self, name: str | None, revision: int | None = None) -> DayClose:
        """A day that is closed: its newest revision, or that one; without a name the newest of all.

        Raises UsageError for no date, GatewayError where there is none.
        """
        if name is None or name == "last":
            paper = newest_day(self.connection)
            if paper is None:
                raise lacking("no day is closed yet", "`tank-gateway stock close` closes the one that ended last")
            return read_paper(DAY, paper)
        day = self.span_of_day(name)
        closes = [each for each in self._days(day.begin, day.end) if each.day == day.name]
        if not closes:
            newest = newest_day(self.connection)
            hint = (
                "no day is closed yet" if newest is None else f"the newest that is closed is {newest.document['day']}"
            )
            raise lacking(f"{day.name} is not closed", hint)
        found = next((each for each in closes if each.revision == revision), None) if revision else closes[-1]
        if found is None:
            raise UsageError(f"--revision {revision}: {day.name} has revisions 1 to {len(closes)}", "give one of them")
        return found

    def month(self, name: str) -> list[DayClose]:
        """Every revision of each day of it that is closed, in order. Raises as `day` does."""
        begin, end = self.span_of_month(name)
        found = [each for each in self._days(begin, end) if each.day[:7] == name]
        if not found:
            raise lacking(
                f"no day of {name} is closed", "`tank-gateway report reconciliation` shows the newest that is"
            )
        return found

    def ticket(self, number: int) -> Ticket:
        """Raises GatewayError where there is none."""
        paper = paper_of(self.connection, PaperKind.TICKET, f"ticket {number}")
        if paper is None:
            (last,) = self.connection.execute("SELECT last FROM numbers WHERE kind = 'ticket'").fetchone()
            raise lacking(f"there is no ticket {number}", f"the newest is {last}" if last else "there is none yet")
        return read_paper(TICKET, paper)

    def taken_back(self, number: int) -> str:
        """What became of a ticket since; empty: it stands. Raises sqlite3.Error."""
        others = tickets_with(self.connection, number)
        return taken_back_words(number, (TicketLink(each.number, each.reverses, each.replaces) for each in others))

    def tickets(self, begin: datetime, end: datetime) -> list[Ticket]:
        """Of movements that ended in the span, whenever their ticket was made."""
        papers = papers_between(self.connection, PaperKind.TICKET, _ns(begin), _FOREVER_NS)
        return [each for each in self._all(TICKET, papers, "ticket") if begin <= each.ended < end]

    def amounts(self, begin: datetime, end: datetime) -> list[Amount]:
        """Of what was moved in the span, whenever it was entered."""
        papers = papers_between(self.connection, PaperKind.AMOUNT, _ns(begin), _ns(end))
        return self._all(AMOUNT, papers, "amount")

    def span_of_day(self, name: str) -> Day:
        """Raises UsageError for no date."""
        try:
            return day_named(self.account, name)
        except AccountRefusedError as error:
            raise UsageError(f"--day: {error}", error.hint) from error

    def span_of_month(self, name: str) -> tuple[datetime, datetime]:
        """Raises UsageError for no month."""
        try:
            first = date.fromisoformat(f"{name}-01")
            after = first.replace(year=first.year + first.month // 12, month=first.month % 12 + 1)
        except ValueError as error:
            raise UsageError(f"--month: '{name}' is no month", "write for example 2026-11") from error
        return boundary(self.account, first), boundary(self.account, after)

    def _days(self, begin: datetime, end: datetime) -> list[DayClose]:
        papers = papers_between(self.connection, PaperKind.DAY, _ns(begin), _ns(end) + 1)
        return sorted(self._all(DAY, papers, "day"), key=lambda each: (each.day, each.revision))

    def _all(self, form: PlainForm[T], papers: Iterator[StoredPaper | PaperError], what: str) -> list[T]:
        found = []
        for number, paper in enumerate(papers, 1):
            self.progress(f"{what}s read: {number}")
            if isinstance(paper, PaperError):
                raise paper
            found.append(read_paper(form, paper))
        return found


def scales_of(tanks: Iterable[TankSetup]) -> dict[str, Scale]:
    """By tank, what the paper draws it by."""
    scales = {}
    for tank in tanks:
        limits = tank.plan.limits
        scales[tank.plan.tank] = Scale(
            tank.plan.reference_height_m,
            limits.minimum_m,
            limits.maximum_working_m,
            limits.high_high_m,
            limits.critical_high_m,
        )
    return scales


def read_paper(form: PlainForm[T], paper: StoredPaper) -> T:
    """Raises GatewayError for one that cannot be read."""
    document: Mapping[str, Any] = paper.document
    try:
        return form.from_plain({key: value for key, value in document.items() if key not in ("schema", "key")})
    except PlainFormError as error:
        raise lacking(f"{paper.key} cannot be read: {error}", "`tank-gateway ledger verify` tells more") from error


def lacking(text: str, hint: str) -> GatewayError:
    """That there is none of it."""
    error = GatewayError(text)
    error.hint = hint
    return error


def _ns(instant: datetime) -> int:
    return round(instant.timestamp() * 1e9)
