"""The accounts of a site as the daemon has them: one object, its loops, and what it tells of itself."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from gateway.account.paper import PaperKind
from gateway.account.transfer import TransferPhase
from gateway.account.transfers.book import TransferBook
from gateway.acting import Acting
from gateway.clock import Clock
from gateway.desk.accounting import Accounting
from gateway.desk.days import DayCloses
from gateway.desk.pages import AccountPages
from gateway.keeping import Keeping
from gateway.page_transfers import open_transfers
from gateway.pipeline import Pipeline
from gateway.process.supervision import Loops
from gateway.reasons import Reason, ReasonCode, because
from gateway.settings import SiteSettings
from gateway.status import AccountsStatus, OpenTransfer
from gateway.tank_record import TankRecord

__all__ = ["SiteAccounts"]


class SiteAccounts:
    """From the gateway's loop."""

    def __init__(
        self,
        boot: str,
        settings: SiteSettings,
        keeping: Keeping,
        clock: Clock,
        pipeline: Pipeline,
        acting: Acting,
    ) -> None:
        """`acting` has what tanks hold, and is given the door of the accounts."""
        self._keeping = keeping
        self._accounts = Accounting(boot, settings.account, acting.products, keeping, clock, pipeline.records)
        self._accounts.known_products = acting.products_known
        self._days = DayCloses(self._accounts)
        self._days.clock_jump_s = pipeline.clock_jump_s
        self.pages = AccountPages(settings.name, self._accounts).pages
        """By path of the web address."""
        acting.accounts = self._accounts
        self._arms_after_s = _arms_after_s(settings)
        self._ends_of: tuple[object, Mapping[str, datetime]] = (None, {})
        pipeline.announced = self.announced

    def begin(self, loops: Loops) -> None:
        if self._keeping.keeps_papers:
            loops.begin("accounts", self._accounts.run)
            loops.begin("days", self._days.run)

    def heard(self, record: TankRecord) -> None:
        """Every record, once and in order."""
        self._accounts.heard(record)

    def announced(self, tank: str) -> Reason | None:
        """By which transfer somebody has said that its contents move now, or that they have until a while ago: what is
        compared with them begins anew with a rest. None: nobody has."""
        book = self._accounts.book
        if book is None:
            return None
        transfer = book.begun_at(tank)
        if transfer is not None:
            if transfer.phase is TransferPhase.PAUSED:
                return None
            kind = transfer.kind.value.replace("_", " ")
            return because(ReasonCode.NOT_APPLICABLE, "transfer {n} is open: {kind}", n=transfer.number, kind=kind)
        end = self._ends(book).get(tank)
        if end is None or (self._accounts.now() - end).total_seconds() >= self._arms_after_s.get(tank, 0.0):
            return None
        return because(ReasonCode.NOT_APPLICABLE, "a transfer ended at {end:utc}", end=end.timestamp())

    def _ends(self, book: TransferBook) -> Mapping[str, datetime]:
        """By tank: when its last transfer was closed. Worked out once for each book."""
        if self._ends_of[0] is not book.ends:
            found: dict[str, datetime] = {}
            for (tank, _), closing in book.ends.items():
                found[tank] = max(closing.instant, found.get(tank, closing.instant))
            self._ends_of = book.ends, found
        return self._ends_of[1]

    def take_over(self, settings: SiteSettings) -> None:
        self._accounts.take_over(settings.account)
        self._arms_after_s = _arms_after_s(settings)

    def open_transfers(self) -> list[dict[str, Any]] | None:
        """As the page lists them; None: nobody knows. Raises DeliveryError for a time without a zone."""
        accounts, book = self._accounts, self._accounts.book
        return None if book is None else open_transfers(accounts.plan, book, accounts.sheets(), accounts.now())

    def status(self) -> AccountsStatus | None:
        """None: no accounts are kept."""
        known, _ = self._keeping.known_accounts()
        book = self._accounts.book
        if known is None or book is None:
            trouble = self._accounts.trouble
            return AccountsStatus(trouble=trouble) if self._keeping.keeps_papers else None
        now = self._accounts.now()
        settling = [
            (now - transfer.since).total_seconds()
            for transfer in book.transfers.values()
            if transfer.phase is TransferPhase.SETTLING
        ]
        day = known.day
        return AccountsStatus(
            tuple(
                OpenTransfer(
                    transfer.number,
                    transfer.kind.value,
                    transfer.phase.value,
                    tuple(side.tank for side in transfer.sides),
                    transfer.since,
                    transfer.waits_for,
                )
                for _, transfer in sorted(book.transfers.items())
            ),
            transfers=known.numbers[PaperKind.TRANSFER],
            tickets=known.numbers[PaperKind.TICKET],
            amounts=known.numbers[PaperKind.AMOUNT],
            day=None if day is None else str(day["day"]),
            revision=0 if day is None else int(day["revision"]),
            closes=self._days.closed,
            unsettled_s=max(settling, default=None),
            faults=self._accounts.faults,
            trouble=self._accounts.trouble or self._days.trouble,
        )


def _arms_after_s(settings: SiteSettings) -> dict[str, float]:
    """By tank: how long it rests until a movement is judged again."""
    plans = {tank.plan.tank: tank.watch.course.unscheduled for tank in settings.tanks}
    return {tank: plan.arms_after_s for tank, plan in plans.items() if plan is not None}
