"""The life of a book of transfers in a yard: what is kept is kept as text, and read again after a restart."""

from dataclasses import dataclass, field

import orjson

from gateway.account.commands import Described, StartTransfer, TransferDeed, TransferVerb
from gateway.account.paper import Outcome, PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket
from gateway.account.transfer import Transfer, TransferKind
from gateway.account.transfers.acts import TransferCommand, act
from gateway.account.transfers.book import TransferBook, book_of
from gateway.account.transfers.follow import follow, tick
from gateway.account.transfers.restart import resumed
from gateway.account.transfers.seen import is_doubted, motion_of
from gateway.ledger.account_reading import transfer_from
from gateway.ledger.document_reading import ticket_from
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion
from tests.support.account_yard import PLAN, Tank, Yard

__all__ = ["NOTHING_SAID", "Life"]

NOTHING_SAID = Described()


@dataclass
class Life:
    """A yard, the book of its transfers, and the papers that a ledger would hold."""

    yard: Yard = field(default_factory=lambda: Yard({tag: Tank(tag) for tag in ("TK-1", "TK-2")}))
    plan: AccountPlan = PLAN
    book: TransferBook = field(default_factory=book_of)
    papers: list[tuple[str, bytes]] = field(default_factory=list)
    latest: dict[str, TankRecord] = field(default_factory=dict)
    rested: dict[str, TankRecord] = field(default_factory=dict)
    outcomes: list[Outcome] = field(default_factory=list)
    truth: dict[tuple[str, str, int], tuple[int, float]] = field(default_factory=dict)
    """By tank, boot and sequence of a sheet: the how many-th it was of all, and the level that there really was."""
    kept_transfers: dict[int, Transfer] = field(default_factory=dict)
    kept_tickets: list[Ticket] = field(default_factory=list)
    """As read from the texts that are kept."""
    disk_fails: bool = False
    """Nothing is kept: then nothing holds."""

    def sheet(self, tag: str) -> None:
        record = self.yard.sheet(tag)
        self.latest[tag] = record
        if motion_of(record) is Motion.AT_REST and not is_doubted(record):
            self.rested[tag] = record
        key = (tag, record.identity.boot, record.identity.sequence)
        self.truth[key] = (len(self.truth), self.yard.tanks[tag].level_m)
        self._take(follow(self.book, self.plan, record))

    def passes(self, seconds: float, step_s: float = 10.0) -> None:
        """With a sheet of each tank at each step, their levels moving at their rates."""
        for _ in range(round(seconds / step_s)):
            self.yard.passes(step_s)
            for tank in self.yard.tanks.values():
                tank.level_m += tank.rate_m_s * step_s
                self.sheet(tank.tag)

    def ticks(self) -> None:
        self._take(tick(self.book, self.plan, self.latest, self.yard.now))

    def does(self, command: TransferCommand) -> Outcome:
        before = self.book
        result = act(self.book, self.plan, command, self.latest, self.tickets(), self.yard.now)
        assert self.book is before
        self._take(result)
        return result[1]

    def starts(self, kind: TransferKind, source: str | None = None, target: str | None = None) -> Transfer:
        self.does(StartTransfer(None, kind, source, target, NOTHING_SAID, "ann"))
        return self.transfer(self.book.last_transfer)

    def deed(self, verb: TransferVerb, number: int, why: str = "") -> Outcome:
        return self.does(TransferDeed(verb, number, "ann", why))

    def restarts(self, after_s: float, steady_s: float = 5.0) -> None:
        """All that is not kept is gone; the ledger knows the last record of each tank."""
        self.yard.passes(after_s)
        self.yard.another_boot(steady_s)
        self.book = book_of(self.transfers(), self.tickets())
        self._take(resumed(self.book, self.latest, self.yard.now, self.rested))

    def transfers(self) -> list[Transfer]:
        """The newest of each, as kept."""
        return list(self.kept_transfers.values())

    def tickets(self) -> list[Ticket]:
        return self.kept_tickets

    def transfer(self, number: int) -> Transfer:
        return self.kept_transfers[number]

    def _take(self, result: tuple[TransferBook, Outcome] | None) -> None:
        if result is None or self.disk_fails:
            return
        self.book, outcome = result
        self.outcomes.append(outcome)
        for paper in outcome.papers:
            text = orjson.dumps(paper.document)
            self.papers.append((paper.key, text))
            if paper.kind is PaperKind.TICKET:
                self.kept_tickets.append(ticket_from(orjson.loads(text)))
            else:
                transfer = transfer_from(orjson.loads(text))
                self.kept_transfers[transfer.number] = transfer
