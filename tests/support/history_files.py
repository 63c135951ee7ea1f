"""What is in a folder of history files, by Python's own csv module, and disks that fail when they are told to."""

import csv
import errno
import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

__all__ = ["DISK_ERRORS", "CrashError", "Fault", "finished", "identities", "rows", "unfinished"]

_CALLS = ("open", "write", "fsync", "rename", "unlink", "ftruncate", "stat", "listdir")


class CrashError(BaseException):
    """The process ends here."""


def finished(folder: Path, sort: str = "records") -> list[Path]:
    """What an importer sees."""
    return sorted(path for path in folder.iterdir() if not path.name.startswith(".") and f"_{sort}" in path.name)


def unfinished(folder: Path, sort: str = "records") -> list[Path]:
    return sorted(folder.glob(f".*_{sort}*.unfinished"))


def rows(*paths: Path) -> list[dict[str, str]]:
    found = []
    for path in paths:
        with path.open(encoding="utf-8", newline="") as file:
            found += list(csv.DictReader(file, strict=True))
    return found


def identities(*paths: Path) -> list[tuple[str, int]]:
    """Tank and sequence of each row."""
    return [(row["tank"], int(row["sequence"])) for row in rows(*paths)]


class Fault:
    """Lets one call to the system fail, the so-manieth from now on: by an error, or as the end of the process.

    A write that fails has written a part before. What no sync has confirmed `cut_the_power` takes away.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._left: int | None = None
        self._make: Callable[[], BaseException] = CrashError
        self.struck = ""
        """By name, the call that failed."""
        self._synced: dict[int, int] = {}
        """Sizes, by the numbers of files."""
        for name in _CALLS:
            monkeypatch.setattr(os, name, self._failing(name, getattr(os, name)))

    @contextmanager
    def at(self, call: int, code: int | None = None) -> Iterator[None]:
        """Within the block. `code` None: the process ends."""
        self.struck = ""
        self._synced.clear()
        self._left = call
        self._make = CrashError if code is None else lambda: OSError(code, os.strerror(code))
        try:
            yield
        finally:
            self._left = None

    def _failing(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def failing(*args: Any, **kwargs: Any) -> Any:
            if self._left is not None:
                self._left -= 1
                if self._left == 0:
                    self._left = None
                    self.struck = name
                    if name == "write":
                        call(args[0], bytes(args[1])[: len(args[1]) // 2])
                    raise self._make()
            result = call(*args, **kwargs)
            if name == "fsync":
                found = os.fstat(args[0])
                self._synced[found.st_ino] = found.st_size
            return result

        return failing

    def cut_the_power(self, folder: Path, chance: random.Random) -> None:
        """Of what was written and not synced, a part is on the disk, and it may be zeros."""
        for path in folder.iterdir():
            size, synced = path.stat().st_size, self._synced.get(path.stat().st_ino, 0)
            if size > synced:
                kept = chance.randint(synced, size)
                data = path.read_bytes()
                path.write_bytes(data[:kept] + bytes(chance.choice((0, size - kept))))
        self._synced.clear()


DISK_ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES, errno.ESTALE)
