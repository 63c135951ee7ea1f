"""One unfinished file: rows are added to its end, and after a crash it is found out which of them are whole.

What has been synced stays. A row that breaks off, and whatever comes behind the first that is none, was never said to
have arrived: it comes again. Only where whole rows stand behind such a one has something else been at the file; then
all of it is kept aside for a person, and nothing is thrown away.
"""

import csv
import os
from collections.abc import Sequence
from contextlib import suppress
from itertools import chain, count
from typing import BinaryIO, NamedTuple

from gateway.delivery.files.names import Span
from gateway.delivery.files.rows import EVENTS, Sort, plain_text
from gateway.delivery.files.state import FilesError, Marks, open_own
from gateway.files import write_all

__all__ = ["Part", "Resumed"]

_LONGEST_ROW = 1_000_000
_LINE_END = b"\r\n"
_BEGINNING = b"time,local_time,site,tank,boot,sequence,position,"
_TANK, _BOOT, _SEQUENCE, _POSITION, _NUMBER = 3, 4, 5, 6, 7
_COPIED_AT_ONCE = 1 << 20


class Resumed(NamedTuple):
    """What was found in an unfinished file."""

    is_current: bool
    """Whether it has the columns of today; else no row is to be added."""
    set_aside: str | None
    """The name under which all of it is kept, where it was damaged."""


class Part:
    """Open for appending. Of one writer."""

    def __init__(self, folder: int, name: str, sort: Sort, span: Span, number: int, descriptor: int) -> None:
        self.name = name
        self.sort = sort
        self.span = span
        self.number = number
        self.length = 0
        """All before is on the disk."""
        self.touched_s = 0.0
        self._folder = folder
        self._descriptor = descriptor
        self._waiting: list[bytes] = []

    @classmethod
    def begin(cls, folder: int, name: str, sort: Sort, span: Span, number: int) -> "Part":
        """A new one. Raises OSError."""
        descriptor = open_own(folder, name, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL)
        with suppress(OSError):
            # Whoever imports is another user than the gateway; the folder says who may enter.
            os.fchmod(descriptor, 0o644)
        part = cls(folder, name, sort, span, number, descriptor)
        part.add(sort.header)
        return part

    @classmethod
    def resume(cls, folder: int, name: str, sort: Sort, span: Span, number: int) -> "Part":
        """One that is there, to be looked at before anything is added. Raises OSError."""
        return cls(folder, name, sort, span, number, open_own(folder, name, os.O_RDWR | os.O_APPEND))

    def look(self, known: int, marks: Marks, now_s: float) -> Resumed:
        """Find its end, and put into `marks` what it has. All before `known` is among them. Raises OSError."""
        with os.fdopen(os.dup(self._descriptor), "rb") as file:
            file.seek(0)
            header = file.readline(_LONGEST_ROW)
            if not header.endswith(_LINE_END) or not header.startswith(_BEGINNING):
                # Not one row of it can be read; what a crash has left is the beginning of a header.
                kept = None if self.sort.header.startswith(header) else self._keep_aside(file)
                self.cut_back(0)
                self._waiting.append(self.sort.header)
                return Resumed(True, kept)
            begin = known if len(header) <= known <= os.fstat(file.fileno()).st_size else len(header)
            file.seek(begin)
            end, is_damaged = self._rows(file, begin, header.count(b",") + 1, marks, now_s)
            kept = self._keep_aside(file) if is_damaged else None
        self.cut_back(end)
        # It may have been written by a process that ended before it could sync it.
        os.fsync(self._descriptor)
        self._is_in_place()
        self.length = end
        return Resumed(header == self.sort.header, kept)

    @property
    def is_empty(self) -> bool:
        return self.length <= len(self.sort.header)

    @property
    def has_waiting(self) -> bool:
        return bool(self._waiting)

    def add(self, row: bytes) -> None:
        self._waiting.append(row)

    def sync(self) -> None:
        """Write what was added, and see it on the disk and in its place. Raises OSError; then it is to be closed."""
        data = b"".join(self._waiting)
        self._waiting.clear()
        write_all(self._descriptor, data)
        os.fsync(self._descriptor)
        self._is_in_place()
        if self.length == 0:
            os.fsync(self._folder)
        self.length += len(data)

    def cut_back(self, length: int) -> None:
        """To what is known to be on the disk. Raises OSError."""
        if os.fstat(self._descriptor).st_size > length:
            os.ftruncate(self._descriptor, length)
            os.fsync(self._descriptor)

    def close(self) -> None:
        with suppress(OSError):
            os.close(self._descriptor)

    def _is_in_place(self) -> None:
        """What was written into a file that has lost its name is lost with it."""
        mine = os.fstat(self._descriptor)
        try:
            there = os.stat(self.name, dir_fd=self._folder, follow_symlinks=False)
        except FileNotFoundError as error:
            raise FilesError("not_written", f"{self.name} was taken away while it was written") from error
        if (mine.st_dev, mine.st_ino) != (there.st_dev, there.st_ino):
            raise FilesError("not_written", f"{self.name} was replaced by another file while it was written")

    def _rows(self, file: BinaryIO, end: int, cells: int, marks: Marks, now_s: float) -> tuple[int, bool]:
        """Where the whole rows end, and whether there are others behind."""
        broken = False
        numbers = (_SEQUENCE, _POSITION, *((_NUMBER,) if self.sort is EVENTS else ()))
        while line := file.readline(_LONGEST_ROW):
            row = _whole_row(line, cells, numbers)
            if row is None:
                broken = True
            elif broken:
                return end, True
            else:
                end += len(line)
                number = int(row[_NUMBER]) if self.sort is EVENTS else 0
                mark = int(row[_SEQUENCE]), number, int(row[_POSITION])
                marks.put((self.sort.name, plain_text(row[_TANK]), row[_BOOT]), mark, now_s)
        return end, False

    def _keep_aside(self, file: BinaryIO) -> str:
        there = set(os.listdir(self._folder))
        base = f"{self.name.removeprefix('.').removesuffix('.unfinished')}.damaged"
        name = next(each for each in chain([base], map(f"{base}_{{}}".format, count(2))) if each not in there)
        descriptor = open_own(self._folder, name, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        try:
            file.seek(0)
            while data := file.read(_COPIED_AT_ONCE):
                write_all(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        return name


def _whole_row(line: bytes, cells: int, numbers: Sequence[int]) -> list[str] | None:
    """Its cells, so many, with whole numbers where they have to be; None: it is none."""
    if not line.endswith(_LINE_END) or b"\0" in line:
        return None
    try:
        text = line[: -len(_LINE_END)].decode()
        row = next(csv.reader([text], strict=True)) if '"' in text else text.split(",")
        is_one = len(row) == cells and all(row[place].isdecimal() for place in numbers)
    except (UnicodeDecodeError, StopIteration, csv.Error):
        return None
    return row if is_one else None
