"""What the ledger keeps beside history: the memory of the calculation, replaced whole, and plans by their id."""

import sqlite3
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future

import orjson
import structlog

from gateway.clock import Clock
from gateway.kept_memory import Kept, KeptMemoryError, kept_from, with_watch
from gateway.ledger.codec import BodyError, packed, unpacked
from gateway.ledger.kept_watch import read_watches, watch_in
from gateway.ledger.writer import Writer
from gateway.plain_form import PlainFormError
from gateway.process.memory_file import memory_pieces

__all__ = ["KeptMemory", "KeptPlans", "plan_in"]

MEMORY_UNREADABLE = "memory.unreadable"
MEMORY_NOT_KEPT = "memory.not_kept"
MEMORY_KEPT_AGAIN = "memory.kept_again"
PLAN_NOT_KEPT = "ledger.plan_not_kept"

Body = bytes | Callable[[], bytes]
"""What takes long to make is made by the writer's thread."""
_CALCULATION = "calculation"


class KeptMemory:
    """Of all tanks of the site: the newest only."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._body: bytes | None = None
        """As the process before left it."""
        self._watches: Mapping[str, bytes] = {}
        """Of tanks that something has happened to since then."""
        self._lock = threading.Lock()
        self._waiting: tuple[Kept, threading.Event] | None = None
        self.is_found = False
        """Whether a file was opened, and what the process before left in it is known."""
        self._newest: Kept | None = None
        """Should another file be begun, it has to stand in that too."""
        self._is_failing = False
        self._log = structlog.get_logger("gateway.memory")

    def opened(self, connection: sqlite3.Connection) -> None:
        """Of a file that was opened, before anything is written to it. Raises sqlite3.Error."""
        if self.is_found:
            self._opened_again()
            return
        found = connection.execute("SELECT body FROM memory WHERE name = ?", (_CALCULATION,)).fetchone()
        self._body = None if found is None else found[0]
        self._watches = read_watches(connection)
        self.is_found = True

    def before(self) -> Kept | None:
        """What was kept by the process before."""
        body, self._body = self._body, None
        watches, self._watches = self._watches, {}
        kept: Kept | None = None
        if body is not None:
            try:
                kept = kept_from(orjson.loads(unpacked(body)))
            except (BodyError, KeptMemoryError, orjson.JSONDecodeError) as error:
                self._log.warning(MEMORY_UNREADABLE, trouble=str(error), hint="every tank begins without memory")
        for tag, packed_watch in watches.items():
            try:
                kept = with_watch(kept, tag, watch_in(packed_watch))
            except (BodyError, PlainFormError, orjson.JSONDecodeError) as error:
                hint = "what has happened to it last is not remembered"
                self._log.warning(MEMORY_UNREADABLE, tank=tag, trouble=str(error), hint=hint)
        if self._newest is None:
            self._newest = kept
        return kept

    def _opened_again(self) -> None:
        """It may be another file, which somebody put in the place of the one before, or none was there any more."""
        if self._newest is not None:
            self._writer.insist(self._write_again, at_once=True)

    def keep(self, kept: Kept) -> threading.Event:
        """Take in what is to be kept. The event is set once it is written, known not to be, or overtaken."""
        done = threading.Event()
        with self._lock:
            overtaken, self._waiting = self._waiting, (kept, done)
        if overtaken is None:
            self._writer.do(self._write).add_done_callback(self._written)
        else:
            overtaken[1].set()
            self._failed("the disk has not taken in what came before yet")
        return done

    def _write(self, connection: sqlite3.Connection) -> threading.Event | None:
        """Packed here, by the writer's thread. The event of what was written."""
        with self._lock:
            waiting, self._waiting = self._waiting, None
        if waiting is None:
            return None
        kept, done = waiting
        try:
            self._newest = kept
            _write(connection, kept)
            self._writer.watches.drop(connection, kept.steady_ns)
        except BaseException:
            done.set()
            raise
        return done

    def _write_again(self, connection: sqlite3.Connection) -> None:
        if self._newest is not None:
            _write(connection, self._newest)
            self._writer.watches.write_again(connection)

    def _written(self, future: "Future[threading.Event | None]") -> None:
        error = future.exception()
        if error is None:
            done = future.result()
            if self._is_failing:
                self._is_failing = False
                self._log.info(MEMORY_KEPT_AGAIN)
        else:
            with self._lock:
                waiting, self._waiting = self._waiting, None
            done = None if waiting is None else waiting[1]
            self._failed(str(error))
        if done is not None:
            done.set()

    def _failed(self, trouble: str) -> None:
        if not self._is_failing:
            self._is_failing = True
            hint = "the gateway runs on; after a restart it would have the memory of before"
            self._log.error(MEMORY_NOT_KEPT, trouble=trouble, hint=hint)


def _write(connection: sqlite3.Connection, kept: Kept) -> None:
    values = (_CALCULATION, kept.utc_ns, packed(b"".join(memory_pieces(kept))))
    connection.execute("INSERT OR REPLACE INTO memory VALUES (?, ?, ?)", values)


class KeptPlans:
    """What records were made by, each once in a file."""

    def __init__(self, writer: Writer, clock: Clock) -> None:
        self._writer = writer
        self._clock = clock
        self._known: set[str] = set()
        self._given: dict[str, Body] = {}
        """In this process: should another file be begun, they have to stand in that too."""
        self._log = structlog.get_logger("gateway.ledger")

    def read(self, connection: sqlite3.Connection) -> None:
        """Of a file that was opened: what is given in this process and is not in it has to stand there too.

        Raises sqlite3.Error.
        """
        self._known = {plan_id for (plan_id,) in connection.execute("SELECT id FROM plans")}
        for plan_id, body in list(self._given.items()):
            if plan_id not in self._known:
                self._insist(plan_id, body)

    def keep(self, plan_id: str, body: Body) -> None:
        if plan_id in self._given:
            return
        self._given[plan_id] = body
        if plan_id not in self._known:
            self._insist(plan_id, body)

    def _insist(self, plan_id: str, body: Body) -> None:
        def write(connection: sqlite3.Connection) -> None:
            data = packed(body() if callable(body) else body)
            connection.execute("INSERT OR IGNORE INTO plans VALUES (?, ?, ?)", (plan_id, self._clock.utc_ns(), data))

        def written(future: "Future[None]") -> None:
            error = future.exception()
            if error is not None:
                self._log.error(PLAN_NOT_KEPT, plan=plan_id, error=str(error))

        self._writer.insist(write).add_done_callback(written)


def plan_in(connection: sqlite3.Connection, plan_id: str) -> bytes | None:
    """What was kept under that id; None: nothing. Raises BodyError, sqlite3.Error."""
    found = connection.execute("SELECT body FROM plans WHERE id = ?", (plan_id,)).fetchone()
    return None if found is None else unpacked(found[0])
