"""Any sequence of sheets, outages, tickets, documents, corrections, late data and closes: a closed day never changes
but by a new revision, and nothing is counted twice or left out.

What must come out is reckoned beside it from the list of what was entered, by nothing but additions.
"""

import itertools
from datetime import datetime, timedelta
from math import fsum

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from gateway.account.amount import AMOUNT, Amount, AmountKind, AmountSource
from gateway.account.amounts.entering import KnownAmounts, enter_amount, reverse_amount
from gateway.account.commands import AccountRefusedError, CloseDay, EnterAmount, ReverseAmount
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import Day, day_named, day_of
from gateway.account.days.close import DayBooks, close_day, day_paper, newest_closes
from gateway.account.days.differences import differences
from gateway.account.days.due import ask_for_close, days_due, days_touched, spans_of_amount, spans_of_ticket
from gateway.account.gauging import Gauging
from gateway.account.paper import AccountPaper, Outcome
from gateway.account.ticket import Ticket
from gateway.account.transfer import Transfer, TransferKind, TransferPhase
from gateway.records import Quality
from gateway.tank_state import Motion
from tests.support.account_days import bad_gauging, gauging, plan, ticket, transfer

PLAN = plan("Europe/Warsaw")
FIRST = day_named(PLAN, "2026-10-23")
"""Two days before clocks go back, and a week before a month ends."""
TANKS = ("TK-1", "TK-2")
KINDS = {TransferKind.RECEIPT: AmountKind.RECEIPT, TransferKind.DISPATCH: AmountKind.DISPATCH}


class Site(RuleBasedStateMachine):
    """A desk that keeps papers, and closes days as the gateway does."""

    @initialize()
    def begin(self) -> None:
        self.now: datetime = FIRST.begin
        self.volume = dict.fromkeys(TANKS, 500.0)
        self.sheets: dict[str, list[Gauging]] = {tank: [] for tank in TANKS}
        self.tickets: list[Ticket] = []
        self.amounts: list[Amount] = []
        self.running: list[Transfer] = []
        self.closes: list[DayClose] = []
        self.kept: dict[str, AccountPaper] = {}
        self.sequence = 0
        self.see()

    def see(self, *, lost: bool = False) -> None:
        for tank in TANKS:
            self.sequence += 1
            moving = any(each.sides[0].tank == tank for each in self.running)
            motion = Motion.FILLING if moving else Motion.AT_REST
            sheet = gauging(tank, self.now, self.volume[tank], motion=motion, sequence=self.sequence)
            self.sheets[tank].append(bad_gauging(tank, self.now)._replace(sequence=self.sequence) if lost else sheet)

    def books(self) -> DayBooks:
        return DayBooks(
            self.sheets, dict.fromkeys(TANKS, "diesel"), self.tickets, self.amounts, self.running, self.closes
        )

    def known(self) -> KnownAmounts:
        return KnownAmounts(self.amounts, self.tickets, {"diesel": "gsv"}, dict.fromkeys(TANKS, "diesel"))

    def keep(self, outcome: Outcome) -> None:
        for paper in outcome.papers:
            assert paper.key not in self.kept, "a key stands once, for ever"
            self.kept[paper.key] = paper
            plain = {name: value for name, value in paper.document.items() if name not in ("schema", "key")}
            if paper.kind == "day":
                self.closes.append(DAY.from_plain(plain))
            else:
                self.amounts.append(AMOUNT.from_plain(plain))

    def again(self, *spans: tuple[datetime, datetime]) -> None:
        """After something late: the closed days that it touches."""
        for begin, end in spans:
            for day in days_touched(PLAN, begin, end, {close.day for close in self.closes}):
                self.close(day)

    def close(self, day: Day) -> None:
        close = close_day(PLAN, day, self.books(), self.now)
        if close is not None:
            self.keep(Outcome((day_paper(close),)))
        assert close_day(PLAN, day, self.books(), self.now) is None, "once more is not another"

    @rule(hours=st.floats(0.1, 40.0), sees=st.booleans(), lost=st.booleans())
    def time_goes_on(self, hours: float, sees: bool, lost: bool) -> None:
        """With a sheet at each boundary on the way, or an outage."""
        until = self.now + timedelta(hours=hours)
        while (end := day_of(PLAN, self.now).end) <= until:
            self.now = end
            if sees:
                self.see(lost=lost)
        self.now = until
        if sees:
            self.see(lost=lost)
        newest = max((close.day for close in self.closes), default=None)
        for day in days_due(PLAN, self.now, newest, FIRST.begin):
            self.close(day)

    @rule(tank=st.sampled_from(TANKS), into=st.booleans(), amount=st.floats(1.0, 200.0))
    def flow_begins(self, tank: str, into: bool, amount: float) -> None:
        if any(each.sides[0].tank == tank for each in self.running):
            return
        self.now += timedelta(seconds=10)
        self.see()
        number = len(self.tickets) + len(self.running) + 100
        kind = TransferKind.RECEIPT if into else TransferKind.DISPATCH
        self.running.append(transfer(number, kind, TransferPhase.RUNNING, self.sheets[tank][-1]))
        self.now += timedelta(minutes=1)
        self.volume[tank] += amount if into else -min(amount, 0.5 * self.volume[tank])

    @precondition(lambda self: self.running)
    @rule(amount=st.floats(0.0, 50.0))
    def flow_ends(self, amount: float) -> None:
        done = self.running.pop(0)
        (side,) = done.sides
        assert side.opening is not None
        self.volume[side.tank] += amount if done.kind is TransferKind.RECEIPT else -min(amount, self.volume[side.tank])
        self.now += timedelta(minutes=40)
        self.see()
        made = ticket(
            len(self.tickets) + 1, done.kind, (side.opening, self.sheets[side.tank][-1]), transfer=done.number
        )
        self.tickets.append(made)
        self.again(*spans_of_ticket(made, self.amounts))

    @precondition(lambda self: self.tickets)
    @rule(place=st.integers(0, 50), reissues=st.booleans())
    def ticket_is_taken_back(self, place: int, reissues: bool) -> None:
        wrong = self.tickets[place % len(self.tickets)]
        if wrong.reverses is not None or any(each.reverses == wrong.number for each in self.tickets):
            return
        self.tickets.append(wrong._replace(number=len(self.tickets) + 1, reverses=wrong.number))
        if reissues:
            self.tickets.append(wrong._replace(number=len(self.tickets) + 1, replaces=wrong.number))
        self.again(*spans_of_ticket(wrong, self.amounts))

    @rule(
        kind=st.sampled_from([AmountKind.RECEIPT, AmountKind.DISPATCH, AmountKind.OWN_USE]),
        value=st.floats(0.5, 100.0),
        back=st.floats(0.0, 300.0),
        ticket=st.integers(0, 6),
        reference=st.sampled_from(["", "R-1", "R-2"]),
    )
    def amount_is_entered(self, kind: AmountKind, value: float, back: float, ticket: int, reference: str) -> None:
        instant = max(FIRST.begin, self.now - timedelta(hours=back))
        named = ticket or None
        command = EnterAmount(kind, AmountSource.METER, "diesel", value, "gsv", instant, "clerk", reference, named)
        try:
            self.keep(enter_amount(self.known(), command, self.now))
        except AccountRefusedError:
            return
        self.again(*spans_of_amount(self.amounts[-1], self.tickets))

    @precondition(lambda self: self.tickets)
    @rule(place=st.integers(0, 50), part=st.floats(0.9, 1.1))
    def document_comes(self, place: int, part: float) -> None:
        """Of a ticket there is, a little off."""
        made = self.tickets[place % len(self.tickets)]
        value = part * abs(made.sides[0].moved["gsv"].value or 10.0)
        kind = KINDS[made.kind]
        command = EnterAmount(
            kind, AmountSource.SHIP, "diesel", value, "gsv", made.ended, "clerk", f"BL {made.number}", made.number
        )
        try:
            self.keep(enter_amount(self.known(), command, self.now))
        except AccountRefusedError:
            return
        self.again(*spans_of_amount(self.amounts[-1], self.tickets))

    @precondition(lambda self: self.amounts)
    @rule(place=st.integers(0, 50))
    def amount_is_taken_back(self, place: int) -> None:
        number = self.amounts[place % len(self.amounts)].number
        try:
            self.keep(reverse_amount(self.known(), ReverseAmount(number, "clerk", "wrong"), self.now))
        except AccountRefusedError:
            return
        self.again(*spans_of_amount(self.amounts[-1], self.tickets))

    @precondition(lambda self: self.closes)
    @rule(tank=st.sampled_from(TANKS), place=st.integers(0, 50), early_s=st.floats(0.0, 1200.0))
    def sheet_comes_late(self, tank: str, place: int, early_s: float) -> None:
        end = self.closes[place % len(self.closes)].end
        self.sequence += 1
        instant = end - timedelta(seconds=early_s)
        if instant < FIRST.begin:
            return
        self.sheets[tank].append(gauging(tank, instant, self.volume[tank], sequence=self.sequence))
        self.again((end, end))

    @rule(named=st.integers(-1, 3))
    def somebody_closes(self, named: int) -> None:
        days = sorted({close.day for close in self.closes})
        day = None if named < 0 or not days else days[named % len(days)]
        asked = CloseDay(day, "clerk")
        try:
            self.keep(ask_for_close(PLAN, asked, self.books(), self.now))
        except AccountRefusedError as refused:
            assert "nothing differs" in str(refused)  # noqa: PT017 (either way is right)

    @invariant()
    def no_paper_ever_changes(self) -> None:
        for close in self.closes:
            assert day_paper(close).document == self.kept[close.key].document
        by_day: dict[str, list[int]] = {}
        for close in self.closes:
            by_day.setdefault(close.day, []).append(close.revision)
        assert all(revisions == list(range(1, len(revisions) + 1)) for revisions in by_day.values())

    @invariant()
    def each_revision_says_what_differs(self) -> None:
        assert all(close.why for close in self.closes if close.revision > 1)

    @invariant()
    def nothing_is_counted_twice_or_left_out(self) -> None:
        newest = sorted(newest_closes(self.closes).values(), key=lambda close: close.end)
        if not newest or any(before.end != after.begin for before, after in itertools.pairwise(newest)):
            return
        begin, end = newest[0].begin, newest[-1].end
        of_tickets = [each.sides[0] for each in self.tickets]
        cut = [each for each in of_tickets if each.opening.instant < end < each.closing.instant]
        cut += [each for each in of_tickets if each.opening.instant < begin < each.closing.instant]
        if cut or any(side.opening.instant < end for each in self.running if (side := each.sides[0]).opening):
            return
        balances = [balance for close in newest for balance in close.balances]
        expected: dict[AmountKind, list[float]] = {kind: [] for kind in AmountKind}
        undone = {each.reverses for each in self.amounts}
        taken_back = {each.reverses for each in self.tickets}
        documents: dict[int, Amount] = {}
        for each in self.amounts:
            if each.number in undone or each.reverses is not None:
                continue
            standing = self.standing(each.ticket, taken_back)
            if standing is not None:
                documents[standing] = each
            elif begin <= each.instant < end:
                expected[each.kind].append(each.value)
        for made in self.tickets:
            if made.number in taken_back or made.reverses is not None or not begin <= made.began < end:
                continue
            document = documents.get(made.number)
            figure = made.sides[0].moved["gsv"]
            if document is not None:
                expected[document.kind].append(document.value)
            elif figure.value is None:
                return
            else:
                sign = 1.0 if made.kind is TransferKind.RECEIPT else -1.0
                expected[KINDS[made.kind]].append(sign * figure.value)
        for kind, name in (
            (AmountKind.RECEIPT, "receipts"),
            (AmountKind.DISPATCH, "dispatches"),
            (AmountKind.OWN_USE, "own_use"),
        ):
            found = [getattr(balance, name).value for balance in balances]
            if None not in found:
                assert fsum(found) == pytest.approx(fsum(expected[kind]), abs=1e-6)

    def standing(self, number: int | None, taken_back: set[int | None]) -> int | None:
        while number is not None and number in taken_back:
            number = next((each.number for each in self.tickets if each.replaces == number), None)
        return number

    @invariant()
    def what_is_closed_is_what_the_books_say(self) -> None:
        """Whatever came late, every day was closed again that it touched: none would say anything else today, but of
        its month, of which the latest alone has to be up to date."""
        for close in newest_closes(self.closes).values():
            again = close_day(PLAN, day_named(PLAN, close.day), self.books(), self.now)
            if again is not None:
                assert differences(close._replace(month=()), again._replace(month=())) == []
                assert any(later.day > close.day and later.day[:7] == close.day[:7] for later in self.closes)

    @invariant()
    def no_stock_is_made_up(self) -> None:
        for close in self.closes:
            for balance in close.balances:
                included, of = balance.tanks
                assert included <= of == len(TANKS)
                assert (balance.physical.value is None) == (included == 0)
                assert included == of or balance.physical.quality is not Quality.GOOD


Site.TestCase.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
TestSite = Site.TestCase
