"""The ledger as the daemon knows it: history is offered, memory and plans are kept, and nobody waits for the disk."""

import random as random_module
import threading
from collections.abc import Callable
from pathlib import Path

import structlog

from gateway import __version__
from gateway.calculation.kept_memory import Kept
from gateway.history import GATEWAY
from gateway.ledger.boots import Boot, started
from gateway.ledger.contract import Transactions
from gateway.ledger.intake import GivenEvent, GivenRecord
from gateway.ledger.kept import KeptMemory, KeptPlans
from gateway.ledger.opening import ledger_path, opening_of
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.selection import Selection
from gateway.ledger.writer import Writer
from gateway.status import LedgerStatus
from gateway.tank_record import Event, Identity, TankRecord

__all__ = ["Ledger"]

LEDGER_OPENED = "ledger.opened"
LEDGER_NOT_ALL_KEPT = "ledger.not_all_kept"


class Ledger:
    """One site's. Made by `open`; all but `open` and `close` never wait and never raise."""

    def __init__(self, plan: LedgerPlan, path: Path, writer: Writer, memory: KeptMemory, plans: KeptPlans) -> None:
        self.plan = plan
        self.path = path
        self._writer = writer
        self._selection = Selection(plan.every_s)
        self._memory = memory
        self._plans = plans
        self._newest: dict[str, tuple[Identity, int]] = {}
        """Of each tank: the identity that its events share, and how many have come with it."""

    @classmethod
    def open(
        cls,
        plan: LedgerPlan,
        site: str,
        boot: str,
        utc_ns: Callable[[], int],
        *,
        random: random_module.Random | None = None,
    ) -> "Ledger":
        """Before the loop: reads from the disk. Raises LedgerError where another try with the same file cannot help.

        Where the disk is full, gone or read-only there is a ledger all the same: it says so and tries again.
        """
        path = ledger_path(plan, site)
        this = Boot(site, boot, __version__, plan.commit_s, utc_ns())
        source = random_module.Random() if random is None else random
        writer = Writer(opening_of(path, site, utc_ns), this, utc_ns, file=str(path), random=source)
        memory, plans = KeptMemory(writer), KeptPlans(writer, utc_ns)
        store = writer.open()
        if store is not None:
            memory.read(store.connection)
            plans.read(store.connection)
            structlog.get_logger("gateway.ledger").info(
                LEDGER_OPENED,
                file=str(path),
                entries=writer.size.entries,
                megabytes=round(writer.size.size_bytes / 1e6, 1),
                whole_file_checked=store.is_checked,
            )
        writer.put(GivenEvent(None, 0, started(this)))
        writer.on_new_file = plans.keep_again
        writer.start()
        return cls(plan, path, writer, memory, plans)

    @property
    def transactions(self) -> Transactions:
        """The one connection that writes."""
        return self._writer

    def offer(self, record: TankRecord) -> None:
        """Every sheet; those that are history are kept, with their events."""
        takes, previous = self._selection.takes(record)
        self._newest[record.identity.tank] = record.identity, len(record.events)
        if takes:
            self._writer.put(GivenRecord(record, previous))
        for number, event in enumerate(record.events):
            self._writer.put(GivenEvent(record.identity, number, event))

    def event(self, event: Event, tank: str = GATEWAY) -> None:
        """What happened apart from any sheet: of a tank, it shares the identity of its newest one."""
        if tank == GATEWAY:
            self._writer.put(GivenEvent(None, 0, event))
            return
        identity, number = self._newest.get(tank) or (
            Identity(self._writer.boot.site, tank, self._writer.boot.boot, 0),
            0,
        )
        self._newest[tank] = identity, number + 1
        self._writer.put(GivenEvent(identity, number, event))

    def keep_memory(self, kept: Kept) -> threading.Event:
        """The event is set once it is written, known not to be, or overtaken by a newer one."""
        return self._memory.keep(kept)

    def memory(self) -> Kept | None:
        """What was kept by the process before; None where nothing was, or nothing can be read, which is logged."""
        return self._memory.before()

    def keep_plan(self, plan_id: str, body: bytes | Callable[[], bytes]) -> None:
        """What is needed to calculate records of that plan again, once. Something that takes long to make is made by
        the writer."""
        self._plans.keep(plan_id, body)

    def status(self) -> LedgerStatus:
        """How it does, at any time."""
        writer = self._writer
        size = writer.size
        return LedgerStatus(
            file=str(self.path),
            committed=writer.committed,
            waiting=writer.waiting,
            lost=writer.lost,
            commit_time=writer.commit_time(),
            size_bytes=size.size_bytes,
            entries=size.entries,
            oldest_ns=size.oldest_ns,
            trouble=writer.trouble,
        )

    def close(self, timeout_s: float) -> bool:
        """Blocking: commit what was taken in, say that the gateway stopped. Whether all was kept within that time."""
        is_all_kept = self._writer.close(timeout_s)
        if not is_all_kept:
            hint = "the disk was too slow, full or gone: what waited for it is lost"
            log = structlog.get_logger("gateway.ledger")
            log.error(LEDGER_NOT_ALL_KEPT, waiting=self._writer.waiting, hint=hint)
        return is_all_kept
