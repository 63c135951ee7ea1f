"""Lines to a descriptor by a thread of its own: whoever has something to say never waits, and never fails.

A pipe that nobody reads, a terminal that is stopped and a full disk hold up that thread alone. What does not fit into
its queue, and what the descriptor refuses, is dropped and counted; how much that was is said when it can write again.
"""

import errno
import os
import queue
import select
import signal
import threading
from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

from gateway.clock import utc_now

__all__ = ["BoundedWriter", "Dropped"]

_RETRY_S = 5.0
"""How often it is tried to say what was dropped, while nothing else is to be said."""
_GONE = frozenset({errno.EPIPE, errno.EBADF})


class Dropped(NamedTuple):
    """Lines that nobody will ever read."""

    lines: int
    first: datetime
    last: datetime


class BoundedWriter:
    """Writes to `descriptor`. At most `longest` texts wait; one that comes then is dropped.

    The thread goes on to the end of the process, so the descriptor must too: one that is closed before may be that of
    another file when there is something to tell.

    `notice` makes the line that tells what was dropped; without it nothing is told. `on_gone` is called in the
    writer's thread, each time the reader of a pipe turns out to have gone.
    """

    def __init__(
        self,
        descriptor: int,
        *,
        longest: int = 1000,
        notice: Callable[[Dropped], str] | None = None,
        on_gone: Callable[[], None] | None = None,
    ) -> None:
        self.notice = notice
        self._descriptor = descriptor
        self._longest = longest
        self._on_gone = on_gone
        # Not queue.Queue, whose lock would be taken twice where the garbage collector logs while it is held.
        self._queue: queue.SimpleQueue[str | threading.Event] = queue.SimpleQueue()
        self._lock = threading.RLock()
        self._dropped = 0
        self._untold: Dropped | None = None
        self._torn = False
        """Whether the last write ended in the middle of a line."""
        threading.Thread(target=self._run, name="writer", daemon=True).start()

    @property
    def dropped(self) -> int:
        """Texts dropped since the start."""
        return self._dropped

    def put(self, text: str) -> None:
        """Takes in a text of one or more whole lines. Never waits and never fails."""
        if self._queue.qsize() < self._longest:
            self._queue.put(text)
        else:
            self._drop()

    def drain(self, patience_s: float) -> bool:
        """Waits until what was put is written or dropped, `patience_s` at most; whether that came about."""
        reached = threading.Event()
        self._queue.put(reached)
        return reached.wait(patience_s)

    def _drop(self) -> None:
        now = utc_now()
        with self._lock:
            self._dropped += 1
            before = self._untold
            self._untold = Dropped(1, now, now) if before is None else Dropped(before.lines + 1, before.first, now)

    def _run(self) -> None:
        # Signals are for the main thread: one that came to this would not wake that from what it waits in.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while True:
            try:
                taken = self._queue.get(timeout=None if self._untold is None else _RETRY_S)
            except queue.Empty:
                self._tell()
                continue
            if isinstance(taken, str) and not self._write(taken):
                self._drop()
            if self._queue.empty():
                self._tell()
            if isinstance(taken, threading.Event):
                taken.set()

    def _tell(self) -> None:
        """Once what waited has been written, so that it is known whether there is more to tell."""
        with self._lock:
            untold = self._untold
        if untold is None or self.notice is None or not self._write(self.notice(untold)):
            return
        with self._lock:
            now = self._untold
            more = 0 if now is None else now.lines - untold.lines
            self._untold = Dropped(more, untold.last, now.last) if now is not None and more else None

    def _write(self, text: str) -> bool:
        data = text.encode("utf-8", errors="replace")
        if self._torn:
            data = b"\n" + data
        written = 0
        try:
            while written < len(data):
                written += self._write_some(data[written:])
        except OSError as exc:
            # Disk full, terminal gone, reader gone, descriptor closed: the next line is tried all the same.
            self._torn = self._torn or written > 0
            if exc.errno in _GONE and self._on_gone is not None:
                self._on_gone()
            return False
        self._torn = False
        return True

    def _write_some(self, data: bytes) -> int:
        while True:
            try:
                return os.write(self._descriptor, data)
            except BlockingIOError:
                # Another program that has the same pipe or terminal may have set it so.
                poll = select.poll()
                poll.register(self._descriptor, select.POLLOUT)
                poll.poll()
