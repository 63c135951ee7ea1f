"""History as files in a folder, for whoever imports them: CSV, or Parquet. What is in them: `files_rows.py`; how they
come about: `files_folder.py`.

The disk may be that of another machine, and hang for ever: all that touches it is done by a thread, and neither the
loop nor a stop waits for it longer than told.
"""

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox, Surroundings, Wants
from gateway.delivery.files.folder import Convert, HistoryFolder, Written
from gateway.delivery.files.parquet import parquet_from_csv, require_duckdb
from gateway.delivery.files.state import FilesError
from gateway.delivery.plan import FilesPlan
from gateway.history import Entry
from gateway.process.one_thread import OneThread, done_within
from gateway.status import DestinationStatus, Trouble
from gateway.tank_record import TankRecord

__all__ = ["FilesDelivery"]

FILES_NOT_WRITTEN = "files.not_written"
FILES_WRITTEN_AGAIN = "files.written_again"
RECORDS_REFUSED = "delivery.records_refused"

_MOST_AT_ONCE = 2000
"""Some 2 MB, written in a tenth of a second and synced at once."""
_LAST_WRITE_S = 3.0
_LAST_CLOSE_S = 1.5
"""Together less than `GOODBYE_S`."""
_NOTHING_TO_DO_S = 60.0

MakeFolder = Callable[[FilesPlan, str, Convert | None], HistoryFolder]


class FilesDelivery:
    """History into the folder of the plan, each entry once also over crashes."""

    wants = Wants(live=False, history=True, events=True)

    def __init__(self, plan: FilesPlan, around: Surroundings, *, make_folder: MakeFolder = HistoryFolder) -> None:
        self._plan = plan
        self._around = around
        self._is_parquet = plan.format == "parquet"
        self._folder = make_folder(plan, around.site, parquet_from_csv if self._is_parquet else None)
        self._thread = OneThread(f"delivery {plan.name}")
        self._writing: tuple[Future[Written], int] | None = None
        """What is being written, and up to where it goes."""
        self._log = structlog.get_logger("gateway.delivery").bind(destination=plan.name)
        self._is_connected = False
        self._trouble: Trouble | None = None
        self._refused = 0
        self._last_refused = ""

    def offer(self, record: TankRecord) -> None:
        """Live records are not for files."""

    def finish(self, records: Sequence[TankRecord]) -> None:
        """Nothing is said for good: what happens to a tank is in its history."""

    def status(self) -> DestinationStatus:
        troubles = [self._trouble] if self._trouble is not None else []
        if self._refused:
            text = f"{self._refused} entries were not written: {self._last_refused}"
            troubles.append(Trouble("records_refused", text))
        outbox = self._around.outbox
        backlog = None if outbox is None else outbox.backlog()
        return DestinationStatus(
            self._plan.name, self._is_connected, 0, 0, 0, None, troubles=tuple(troubles), history=backlog
        )

    async def run(self) -> None:
        outbox = self._around.outbox
        if outbox is None:
            self._trouble = Trouble("not_written", "there is no ledger, so that there is no history to write")
            self._log.error(FILES_NOT_WRITTEN, trouble=self._trouble.text, hint="see `ledger` in the site file")
            while True:
                self._around.came_round(_NOTHING_TO_DO_S)
                await asyncio.sleep(_NOTHING_TO_DO_S)
        backoff = Backoff(self._plan.backoff_first_s, self._plan.backoff_longest_s, self._around.random)
        loop = asyncio.get_running_loop()
        try:
            await self._settle(outbox)
            while True:
                outbox.rewind()
                begun_s = loop.time()
                try:
                    await self._deliver(outbox)
                except FilesError as error:
                    self._complain(error.code, str(error))
                wait_s = backoff.after(loop.time() - begun_s)
                await self._do(self._folder.close)
                self._around.came_round(wait_s)
                await asyncio.sleep(wait_s)
        finally:
            self._is_connected = False
            await self._leave(outbox)

    async def _deliver(self, outbox: Outbox) -> None:
        """Until something is wrong, which raises FilesError."""
        if self._is_parquet:
            await self._do(require_duckdb)
        await self._do(self._folder.open)
        while True:
            entries = await self._next(outbox)
            snapshot = self._around.snapshot()
            if entries:
                call = partial(self._folder.write, entries, ZoneInfo(snapshot.time_zone))
                self._writing = self._thread.do(call), entries[-1].position
                await self._answer(self._writing[0])
                self._take_in(outbox)
            if not outbox.ready():
                await self._do(partial(self._folder.finish, snapshot.instant))
            self._well()
            if len(entries) < _MOST_AT_ONCE:
                # Each writing costs a sync; what comes meanwhile waits in the ledger.
                self._around.came_round(self._plan.gather_s)
                await asyncio.sleep(self._plan.gather_s)

    async def _next(self, outbox: Outbox) -> Sequence[Entry]:
        """Empty where nothing comes for a while: there may be files whose time is over."""
        self._around.came_round(self._plan.gather_s)
        try:
            async with asyncio.timeout(self._plan.gather_s):
                return await outbox.take(_MOST_AT_ONCE)
        except TimeoutError:
            return ()

    # The disk

    async def _do(self, call: Callable[[], Any]) -> None:
        await self._answer(self._thread.do(call))

    async def _answer(self, future: "Future[Any]") -> None:
        """Wait for the disk as long as it takes, and say so. Raises what the call raised."""
        while not await done_within(future, self._plan.timeout_s):
            text = f"{self._plan.folder}: the disk has not answered for {self._plan.timeout_s:g} s"
            self._complain("not_written", text)
            self._around.came_round(self._plan.timeout_s)
        future.result()

    def _take_in(self, outbox: Outbox) -> None:
        """What has been written is told once; raises what the writing raised."""
        assert self._writing is not None
        (future, position), self._writing = self._writing, None
        written = future.result()
        for sentence in written.refused.values():
            self._refused += 1
            if sentence != self._last_refused:
                self._last_refused = sentence
                self._log.error(RECORDS_REFUSED, trouble=sentence)
        outbox.delivered(position, written.refused)

    async def _settle(self, outbox: Outbox) -> None:
        """What the run before left behind: a writing that hung. Nothing else is begun before it has ended."""
        if self._writing is not None:
            try:
                await self._answer(self._writing[0])
            except FilesError as error:
                self._complain(error.code, str(error))
            else:
                self._take_in(outbox)
            finally:
                if self._writing is not None and self._writing[0].done():
                    self._writing = None
        await self._do(self._folder.close)

    async def _leave(self, outbox: Outbox) -> None:
        """Within bounds: a disk that hangs is left to its thread."""
        if self._writing is not None and await done_within(self._writing[0], _LAST_WRITE_S):
            if self._writing[0].exception() is None:
                self._take_in(outbox)
            self._writing = None
        await done_within(self._thread.do(self._save_and_close), _LAST_CLOSE_S)
        self._thread.end()

    def _save_and_close(self) -> None:
        try:
            if self._folder.is_open:
                self._folder.save()
        finally:
            self._folder.close()

    def _complain(self, code: str, text: str) -> None:
        self._is_connected = False
        if self._trouble is None or self._trouble.text != text:
            self._log.error(FILES_NOT_WRITTEN, trouble=text, hint="nothing is lost: it waits in the ledger")
        self._trouble = Trouble(code, text)

    def _well(self) -> None:
        self._is_connected = True
        if self._trouble is not None:
            self._log.info(FILES_WRITTEN_AGAIN, folder=str(self._plan.folder))
        self._trouble = None
