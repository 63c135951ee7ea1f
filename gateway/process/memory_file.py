"""The memory of a site's calculation in a file of the state directory, so that a restart forgets nothing.

Replaced whole, by a thread of its own: a disk that is slow, full or gone holds up nobody. What cannot be kept or read
is said once, and the gateway runs on without.
"""

import gzip
import os
import signal
import threading
import time
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path

import orjson
import structlog

from gateway.errors import GatewayError
from gateway.files import UnreadableError, read_bytes, replace_whole
from gateway.kept_memory import (
    Kept,
    KeptMemoryError,
    kept_from,
    plain_head,
    plain_tank,
)

__all__ = [
    "DIRECTORY_VARIABLE",
    "MEMORY_KEPT_AGAIN",
    "MEMORY_NOT_KEPT",
    "MEMORY_UNREADABLE",
    "MemoryFile",
    "MemoryKeeper",
    "file_name",
    "memory_pieces",
    "state_directory",
]

MEMORY_UNREADABLE = "memory.unreadable"
MEMORY_NOT_KEPT = "memory.not_kept"
MEMORY_KEPT_AGAIN = "memory.kept_again"

DIRECTORY_VARIABLE = "TANK_GATEWAY_STATE"
"""An environment variable with the directory to use, for whoever runs the gateway without a service manager."""

_FORBIDDEN = str.maketrans(dict.fromkeys("/\0", "_"))
_LARGEST_BYTES = 50_000_000
_LARGEST_UNPACKED = 500_000_000
"""A thousand tanks take some 10 MB unpacked."""
_FAST = 1


def state_directory(environment: Mapping[str, str] = os.environ) -> Path | None:
    """Where this process may keep what is to outlive it: as told, or as systemd gives it; None: nowhere."""
    given = environment.get(DIRECTORY_VARIABLE) or environment.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else None


def file_name(site: str) -> str:
    """What a file of this site may be called."""
    return site.translate(_FORBIDDEN)


class MemoryFile:
    """One site's memory: JSON, compressed, with a checksum."""

    def __init__(self, directory: Path, site: str) -> None:
        self.path = directory / f"{file_name(site)}.memory.json.gz"

    def read(self) -> Kept | None:
        """What was kept; None where there is no file. Raises UnreadableError and KeptMemoryError."""
        try:
            packed = read_bytes(self.path, _LARGEST_BYTES)
        except UnreadableError as error:
            if error.missing:
                return None
            raise
        try:
            return kept_from(orjson.loads(_unpacked(packed)))
        except (zlib.error, orjson.JSONDecodeError) as error:
            raise KeptMemoryError("it is damaged: it cannot be unpacked") from error

    def write(self, kept: Kept) -> None:
        """Replace the file, or leave it as it is and raise OSError."""
        packed = gzip.compress(b"".join(memory_pieces(kept)), _FAST, mtime=0)
        replace_whole(str(self.path), packed)


class MemoryKeeper:
    """Keeps the newest memory of a site in its file, by a thread of its own."""

    def __init__(self, file: MemoryFile) -> None:
        self._file = file
        self._changed = threading.Condition()
        self._waiting: tuple[Kept, threading.Event] | None = None
        self._log = structlog.get_logger("gateway.memory")
        self._is_failing = False
        threading.Thread(target=self._run, name="memory", daemon=True).start()

    def read(self) -> Kept | None:
        """What was kept by the process before; None where nothing was, or nothing can be read, which is logged."""
        try:
            return self._file.read()
        except GatewayError as error:
            cause = error.cause if isinstance(error, UnreadableError) else str(error)
            self._log.warning(
                MEMORY_UNREADABLE, file=str(self._file.path), trouble=cause, hint="every tank begins without memory"
            )
            return None

    def keep(self, kept: Kept) -> threading.Event:
        """Take in what is to be kept; never waits for the disk.

        The event is set once it is written, known not to be, or overtaken by a newer one.
        """
        done = threading.Event()
        with self._changed:
            overtaken, self._waiting = self._waiting, (kept, done)
            self._changed.notify()
        if overtaken is not None:
            overtaken[1].set()
            self._failed("the disk has not taken in what came before yet")
        return done

    def _run(self) -> None:
        # Signals are for the main thread: one that came to this would not wake that from what it waits in.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting is not None)
                taken, self._waiting = self._waiting, None
            if taken is not None:
                self._write(taken[0])
                taken[1].set()

    def _write(self, kept: Kept) -> None:
        try:
            self._file.write(kept)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next minute is tried all the same
            trouble = error.strerror if isinstance(error, OSError) else None
            self._failed(trouble or f"{type(error).__name__}: {error}")
        else:
            if self._is_failing:
                self._log.info(MEMORY_KEPT_AGAIN, file=str(self._file.path))
            self._is_failing = False

    def _failed(self, trouble: str) -> None:
        if not self._is_failing:
            self._is_failing = True
            self._log.error(
                MEMORY_NOT_KEPT,
                file=str(self._file.path),
                trouble=trouble,
                hint="the gateway runs on; after a restart it would have the memory of before",
            )


def memory_pieces(kept: Kept) -> Iterator[bytes]:
    """The document as it is kept, in pieces: for a thread beside the loop."""
    yield orjson.dumps(plain_head(kept)).removesuffix(b"}") + b',"tanks":{'
    comma = b""
    for tag, tank in kept.tanks.items():
        yield comma + orjson.dumps(tag) + b":" + orjson.dumps(plain_tank(tank))
        comma = b","
        # The loop that polls has its turn between two tanks.
        time.sleep(0)
    yield b"}}"


def _unpacked(packed: bytes) -> bytes:
    """Raises zlib.error where the checksum is wrong or the end is missing."""
    unpacking = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16)
    data = unpacking.decompress(packed, _LARGEST_UNPACKED)
    if not unpacking.eof:
        raise zlib.error("it breaks off")
    return data
