"""The accounts of a site as the daemon has them: one object, its loops, and what it tells of itself."""

from gateway.account.paper import PaperKind
from gateway.account.transfer import TransferPhase
from gateway.account_days import DayCloses
from gateway.account_pages import AccountPages
from gateway.accounting import Accounting
from gateway.acting import Acting
from gateway.clock import Clock
from gateway.keeping import Keeping
from gateway.pipeline import Pipeline
from gateway.process.supervision import Loops
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

    def begin(self, loops: Loops) -> None:
        if self._keeping.keeps_papers:
            loops.begin("accounts", self._accounts.run)
            loops.begin("days", self._days.run)

    def heard(self, record: TankRecord) -> None:
        """Every record, once and in order."""
        self._accounts.heard(record)

    def take_over(self, settings: SiteSettings) -> None:
        self._accounts.take_over(settings.account)

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
