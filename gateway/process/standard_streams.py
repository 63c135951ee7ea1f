"""The three descriptors every program begins with: there, never in the way, and with a priority where a journal reads.

Loads nothing but the standard library, so that a command can do this before anything else.
"""

import atexit
import io
import os
import re
import sys
import threading
from collections.abc import Callable
from typing import TextIO

from gateway.process.bounded_writer import BoundedWriter

__all__ = [
    "UnblockedStream",
    "is_journal",
    "open_standard_descriptors",
    "prioritised",
    "unblock_stderr",
    "unblock_stdout",
]

_NAMES = ("stdin", "stdout", "stderr")
_DRAIN_S = 2.0
"""Longest the end of the process waits for its last lines."""
_LONGEST_LOG = 1000
_LONGEST_TABLE = 200
"""Lines or pictures that nobody has looked at yet: what comes later than that is not missed."""
_ERROR = 3
_PRIORITY = re.compile(r"<[0-7]>")


def open_standard_descriptors() -> None:
    """Opens /dev/null where a descriptor from 0 to 2 was closed when the process began.

    Else the next file or socket that is opened would bear that number, and what is printed would go into it.
    """
    for descriptor, name in enumerate(_NAMES):
        try:
            os.fstat(descriptor)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)  # the lowest number that is free
            os.set_inheritable(opened, True)
            if opened != descriptor:  # pragma: no cover - those below are open by now
                os.dup2(opened, descriptor)
                os.close(opened)
        if getattr(sys, name) is None:
            stream = open(descriptor, "r" if descriptor == 0 else "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            setattr(sys, name, stream)


def is_journal(stream: TextIO) -> bool:
    """Whether the system's journal reads the stream: systemd says which device and inode that is."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return (device, inode) == (str(status.st_dev), str(status.st_ino))


def prioritised(text: str, priority: int) -> str:
    """Each line with its priority as sd-daemon(3) puts it, 0 emergency to 7 debug; those that have one keep it."""
    return "".join(line if _PRIORITY.match(line) else f"<{priority}>{line}" for line in text.splitlines(keepends=True))


class UnblockedStream(io.TextIOBase):
    """Stands in the place of a stream with a descriptor; what is written to it waits in a bounded queue."""

    encoding = "utf-8"

    def __init__(self, stream: TextIO, writer: BoundedWriter, *, priority: int | None = None) -> None:
        self.writer = writer
        self._stream = stream
        self._priority = priority
        self._part = ""
        self._lock = threading.RLock()

    def write(self, text: str) -> int:
        with self._lock:
            self._part += text
            whole, end, rest = self._part.rpartition("\n")
            self._part = rest
        if end:
            self._put(whole + end)
        return len(text)

    def flush(self) -> None:
        # Half a line, once it has been handed on, could not be given its priority any more.
        if self._priority is None:
            self._put_part()

    def drain(self, patience_s: float) -> bool:
        """As the writer's, half a line included."""
        self._put_part()
        return self.writer.drain(patience_s)

    def _put_part(self) -> None:
        with self._lock:
            part, self._part = self._part, ""
        if part:
            self._put(part)

    def _put(self, text: str) -> None:
        self.writer.put(text if self._priority is None else prioritised(text, self._priority))

    def fileno(self) -> int:
        return self._stream.fileno()

    def isatty(self) -> bool:
        return self._stream.isatty()

    def writable(self) -> bool:
        return True


def unblock_stderr() -> UnblockedStream | None:
    """From now on, to the end of the process, nothing that is written to standard error waits or fails.

    None, and nothing done, where standard error is no descriptor but belongs to another part of this process.
    """
    return _unblocked("stderr", priority=_ERROR if is_journal(sys.stderr) else None)


def unblock_stdout(on_gone: Callable[[], None]) -> UnblockedStream | None:
    """The same of standard output, for what is worth nothing when it is old; `on_gone` when its reader has gone."""
    return _unblocked("stdout", longest=_LONGEST_TABLE, on_gone=on_gone)


def _unblocked(
    name: str, *, longest: int = _LONGEST_LOG, priority: int | None = None, on_gone: Callable[[], None] | None = None
) -> UnblockedStream | None:
    stream = getattr(sys, name)
    if isinstance(stream, UnblockedStream):
        return stream
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError):
        return None
    writer = BoundedWriter(descriptor, longest=longest, on_gone=on_gone)
    unblocked = UnblockedStream(stream, writer, priority=priority)
    setattr(sys, name, unblocked)
    atexit.register(unblocked.drain, _DRAIN_S)
    return unblocked
