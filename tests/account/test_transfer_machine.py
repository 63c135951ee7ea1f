"""No sequence of sheets, gaps, restarts, clocks that are set and acts loses or alters a ticket, counts an amount twice,
leaves a hole in the numbers, or reaches a phase that is none."""

from itertools import pairwise

import orjson
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from gateway.account.commands import (
    AccountRefusedError,
    ChangeTransfer,
    Described,
    PlanTransfer,
    ReverseTicket,
    StartTransfer,
    TransferDeed,
    TransferVerb,
)
from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket, TicketSide
from gateway.account.transfer import Direction, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.acts import TransferCommand
from gateway.account.transfers.book import book_of
from gateway.account.transfers.phases import ALLOWED
from gateway.ledger.account_reading import transfer_from
from gateway.records import Quality, Reason, ReasonCode
from gateway.states import RoofZone
from gateway.tank_state import AlarmKind
from tests.account.transfers_life import NOTHING_SAID, Life
from tests.support.account_yard import AREA_M2

TANKS = st.sampled_from(("TK-1", "TK-2"))
NUMBERS = st.integers(1, 6)
RATES = st.sampled_from((0.0003, -0.0003, 0.0, 0.0))
WHY = st.sampled_from(("", "the ship has to leave"))
LONG = st.sampled_from((60.0, 600.0, 1200.0, 2400.0))
STEP_S = 200.0
KINDS = st.sampled_from(TransferKind)
SOME_TANK = st.none() | TANKS
DOUBT = Reason(ReasonCode.CLOCK_UNTRUSTED, "the clock was never set")
_BY_THEMSELVES = {
    (TransferPhase.RUNNING, TransferPhase.SETTLING),
    (TransferPhase.PAUSED, TransferPhase.SETTLING),
    (TransferPhase.SETTLING, TransferPhase.RUNNING),
    (TransferPhase.SETTLING, TransferPhase.CLOSED),
}
LEGAL = {(before, after) for (before, _), after in ALLOWED.items()} | _BY_THEMSELVES
LEGAL |= {
    # Started and at once closed, in one go: what was proposed is over by then.
    (TransferPhase.PROPOSED, TransferPhase.SETTLING),
    (TransferPhase.PROPOSED, TransferPhase.CLOSED),
}
FIRST = {TransferPhase.PROPOSED, TransferPhase.PLANNED, TransferPhase.RUNNING}


class Transfers(RuleBasedStateMachine):
    """What is done to two tanks and their transfers, and what has to follow."""

    def __init__(self) -> None:
        super().__init__()
        self.life = Life()
        self.life.passes(1200.0, STEP_S)
        self.read = 0
        self.phases: dict[int, TransferPhase] = {}
        self.kept: dict[str, bytes] = {}

    # What happens in the yard

    @rule(seconds=LONG)
    def time_passes(self, seconds: float) -> None:
        self.life.passes(seconds, min(seconds, STEP_S))

    @rule(tank=TANKS, rate=RATES, seconds=LONG)
    def moves(self, tank: str, rate: float, seconds: float) -> None:
        self.life.yard.moves(tank, rate)
        self.life.passes(seconds, min(seconds, STEP_S))

    @rule()
    def all_comes_to_rest(self) -> None:
        for tank in self.life.yard.tanks:
            self.life.yard.moves(tank, 0.0)
        self.life.passes(2400.0, STEP_S)

    @rule(tank=TANKS, seconds=LONG)
    def level_is_lost(self, tank: str, seconds: float) -> None:
        self.life.yard.tanks[tank].is_lost = True
        self.life.passes(seconds, min(seconds, STEP_S))
        self.life.yard.tanks[tank].is_lost = False

    @rule(tank=TANKS, kinds=st.sampled_from(((), (AlarmKind.LEVEL_FROZEN,), (AlarmKind.WRONG_WAY,))))
    def alarms(self, tank: str, kinds: tuple[AlarmKind, ...]) -> None:
        self.life.yard.tanks[tank].alarms = kinds
        self.life.passes(60.0, 60.0)

    @rule(tank=TANKS, by_m=st.sampled_from((0.5, -0.5)))
    def level_jumps(self, tank: str, by_m: float) -> None:
        """Foam: for a sheet or two, doubted."""
        here = self.life.yard.tanks[tank]
        here.level_m += by_m
        here.quality, here.reasons = Quality.UNCERTAIN, (Reason(ReasonCode.RATE_IMPLAUSIBLE, "it jumped"),)
        self.life.sheet(tank)
        here.level_m -= by_m
        here.quality, here.reasons = Quality.GOOD, ()
        self.life.sheet(tank)

    @rule(tank=TANKS, roof=st.sampled_from((None, RoofZone.CRITICAL, RoofZone.FLOATING)))
    def roof(self, tank: str, roof: RoofZone | None) -> None:
        self.life.yard.tanks[tank].roof = roof

    @rule(product=st.sampled_from(("diesel", "gasoline")), tank=TANKS)
    def product_changes(self, product: str, tank: str) -> None:
        self.life.yard.tanks[tank].product = product
        self.life.passes(60.0, 60.0)

    @rule(by_s=st.sampled_from((-7200, -3, 3, 7200, 10**6)))
    def clock_is_set(self, by_s: int) -> None:
        self.life.yard.is_set(by_s)

    @rule(is_doubted=st.booleans())
    def clock_is_doubted(self, is_doubted: bool) -> None:
        self.life.yard.clock_doubt = DOUBT if is_doubted else None

    @rule(after_s=LONG, tank=TANKS, by_m=st.sampled_from((0.0, 0.2, -0.2)))
    def restart(self, after_s: float, tank: str, by_m: float) -> None:
        yard = self.life.yard
        for each in yard.tanks.values():
            each.level_m += each.rate_m_s * after_s
        yard.tanks[tank].level_m += by_m
        self.life.restarts(after_s)
        self.life.passes(60.0, 60.0)

    @rule(fails=st.booleans())
    def disk(self, fails: bool) -> None:
        self.life.disk_fails = fails

    @rule()
    def ticks(self) -> None:
        self.life.ticks()

    # What people do

    def does(self, command: TransferCommand) -> None:
        """Done, or refused with a sentence that says what to do; and then nothing has happened."""
        before, papers = self.life.book, len(self.life.papers)
        refused: AccountRefusedError | None = None
        try:
            self.life.does(command)
        except AccountRefusedError as refusal:
            refused = refusal
        if refused is not None:
            assert str(refused)
            assert refused.hint
            assert self.life.book is before
            assert len(self.life.papers) == papers

    @rule(kind=KINDS, out_of=SOME_TANK, into=SOME_TANK, amount=st.sampled_from((None, 50.0, 5000.0)))
    def plans(self, kind: TransferKind, out_of: str | None, into: str | None, amount: float | None) -> None:
        self.does(PlanTransfer(kind, out_of, into, Described(amount, "gsv"), "ann"))

    @rule(kind=KINDS, out_of=SOME_TANK, into=SOME_TANK)
    def starts(self, kind: TransferKind, out_of: str | None, into: str | None) -> None:
        self.does(StartTransfer(None, kind, out_of, into, NOTHING_SAID, "ann"))

    @rule(number=NUMBERS, kind=st.none() | KINDS, out_of=SOME_TANK, into=SOME_TANK)
    def starts_that(self, number: int, kind: TransferKind | None, out_of: str | None, into: str | None) -> None:
        self.does(StartTransfer(number, kind, out_of, into, NOTHING_SAID, "ann"))

    @rule(number=NUMBERS)
    def starts_as_it_is(self, number: int) -> None:
        self.does(StartTransfer(number, None, None, None, NOTHING_SAID, "ann"))

    @rule(number=NUMBERS)
    def changes(self, number: int) -> None:
        self.does(ChangeTransfer(number, Described(partner="MT Aster"), "ann"))

    @rule(verb=st.sampled_from(TransferVerb), number=NUMBERS, why=WHY)
    def deeds(self, verb: TransferVerb, number: int, why: str) -> None:
        if number in self.life.book.transfers or number > self.life.book.last_transfer:
            self.life_deed(verb, number, why)

    def life_deed(self, verb: TransferVerb, number: int, why: str) -> None:
        self.does(TransferDeed(verb, number, "ann", why))

    @rule(number=NUMBERS, why=WHY, kind=st.none() | KINDS, partner=st.none() | st.just("MT Aster"))
    def reverses(self, number: int, why: str, kind: TransferKind | None, partner: str | None) -> None:
        self.does(ReverseTicket(number, "ann", why, kind, partner))

    # What has to follow

    @invariant()
    def what_is_kept_goes_on_from_what_was_kept(self) -> None:
        """No ticket is lost or altered, no number is left out, no phase is skipped."""
        new, self.read = self.life.papers[self.read :], len(self.life.papers)
        for key, text in new:
            if key.startswith("ticket"):
                assert key not in self.kept, "a ticket was kept twice"
                self.kept[key] = text
                assert key == f"ticket {len(self.kept)}", "a number was left out"
            else:
                self.goes_on(transfer_from(orjson.loads(text)))
        assert self.life.book.last_ticket == len(self.kept)

    def goes_on(self, transfer: Transfer) -> None:
        before = self.phases.get(transfer.number)
        if before is None:
            assert transfer.number == len(self.phases) + 1, "a number was left out"
            assert transfer.phase in FIRST
        else:
            assert transfer.phase is before or (before, transfer.phase) in LEGAL
        self.phases[transfer.number] = transfer.phase
        assert (transfer.ticket is not None) is (transfer.phase is TransferPhase.CLOSED)

    @invariant()
    def the_book_is_what_is_kept(self) -> None:
        read, book = book_of(self.life.transfers(), self.life.tickets()), self.life.book
        assert dict(read.transfers) == dict(book.transfers)
        assert (read.last_transfer, read.last_ticket) == (book.last_transfer, book.last_ticket)
        assert dict(read.ends) == dict(book.ends)
        assert dict(read.dismissed) == dict(book.dismissed)
        assert {tank: set(numbers) for tank, numbers in read.open_at.items()} == {
            tank: set(numbers) for tank, numbers in book.open_at.items()
        }

    @invariant()
    def a_tank_is_in_one_begun_transfer(self) -> None:
        begun = [
            side.tank
            for transfer in self.life.book.transfers.values()
            if transfer.phase.has_begun
            for side in transfer.sides
            if side.closing is None
        ]
        assert len(begun) == len(set(begun))

    @invariant()
    def nothing_is_counted_twice(self) -> None:
        for tank in self.life.yard.tanks:
            spans = sorted(self.spans(tank))
            for (_, before), (after, _) in pairwise(spans):
                assert before <= after, "two amounts of a tank overlap"

    def spans(self, tank: str) -> list[tuple[int, int]]:
        found: list[tuple[Gauging, Gauging | None]] = []
        for ticket in self.life.tickets():
            if ticket.reverses is None and ticket.replaces is None:
                found += [(side.opening, side.closing) for side in ticket.sides if side.tank == tank]
        for transfer in self.life.book.transfers.values():
            for side in transfer.sides:
                if side.tank == tank and side.opening is not None:
                    found.append((side.opening, side.closing))
        last = len(self.life.truth)
        return [(self.order(first), last if then is None else self.order(then)) for first, then in found]

    def order(self, gauging: Gauging) -> int:
        return self.life.truth[gauging.tank, gauging.boot, gauging.sequence][0]

    @invariant()
    def every_amount_is_what_really_moved(self) -> None:
        for ticket in self.life.tickets():
            for side in ticket.sides:
                self.is_true(side)
            self.stands_as_it_should(ticket)

    def is_true(self, side: TicketSide) -> None:
        moved = side.moved["tov"]
        if moved.value is None:
            assert moved.quality is Quality.BAD
            return
        first, last = (self.life.truth[each.tank, each.boot, each.sequence][1] for each in (side.opening, side.closing))
        sign = 1.0 if side.direction is Direction.INTO else -1.0
        assert abs(sign * moved.value - AREA_M2 * (last - first)) < 1e-6

    def stands_as_it_should(self, ticket: Ticket) -> None:
        for side in ticket.sides:
            doubted = side.closing.clock_doubt is not None or RoofZone.CRITICAL in (
                side.opening.roof,
                side.closing.roof,
            )
            if doubted or Quality.BAD in (side.opening.quality, side.closing.quality):
                assert ticket.why, "a ticket that was to be refused was made by itself"
                assert ticket.quality is not Quality.GOOD
        if ticket.reverses is None and ticket.kind is not TransferKind.TANK_TO_TANK:
            assert ticket.moved == ticket.sides[0].moved


TestTransfers = Transfers.TestCase
TestTransfers.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
