"""Reads of the file by a thread of its own: a disk that is slow or hangs holds up neither the loop nor a stop.

`asyncio.to_thread` would not do: the end of a process waits for its threads.
"""

import os
import queue
import signal
import sqlite3
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Generic, TypeVar

__all__ = ["ReadingThread", "open_to_read"]

T = TypeVar("T")
_CACHE_KB = 512
"""Of pages, for each connection: what is read is read once."""


def open_to_read(file: Path, *, wait_s: float = 5.0) -> sqlite3.Connection:
    """A connection that can change nothing. Raises sqlite3.Error."""
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=wait_s, check_same_thread=False
    )
    try:
        connection.execute("PRAGMA query_only = 1")
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


class ReadingThread(Generic[T]):
    """Does one read after another; what came of each is told from this thread."""

    def __init__(self, file: Path, name: str) -> None:
        self._file = file
        self._wanted: queue.SimpleQueue[
            tuple[Callable[[sqlite3.Connection], T], Callable[[T | Exception], None]] | None
        ] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    def read(self, reading: Callable[[sqlite3.Connection], T], told: Callable[[T | Exception], None]) -> None:
        """Never waits. After an error the next read has a new connection."""
        self._wanted.put((reading, told))

    def end(self) -> None:
        """After what is being read. Never waits."""
        self._wanted.put(None)

    def _run(self) -> None:
        # Signals are for the main thread: one that came to this would not wake that from what it waits in.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        connection: sqlite3.Connection | None = None
        number = 0
        while (wanted := self._wanted.get()) is not None:
            reading, told = wanted
            found: T | Exception
            try:
                if connection is not None and _number(self._file) != number:
                    # Another file has taken its place: the old one was damaged.
                    connection.close()
                    connection = None
                if connection is None:
                    number = _number(self._file)
                    connection = open_to_read(self._file)
                found = reading(connection)
            except Exception as error:  # noqa: BLE001 - whoever asked is told, whatever it is
                found = error
                if connection is not None:
                    with suppress(sqlite3.Error):
                        connection.close()
                connection = None
            told(found)
        if connection is not None:
            connection.close()


def _number(file: Path) -> int:
    """By which a file is known to its file system, whatever it is called."""
    return os.stat(file).st_ino
