"""The folder into which one site's history is written as files. Everything here blocks: it is for a thread of its own.

Rows go to a hidden file without an ending that anybody looks for; when its time is over it gets its name by one rename,
so that whoever watches the folder sees whole files only. A file that has its name is never touched again: a row that
comes later goes to a second part. Nothing is ever deleted here but what has become another file.
"""

import errno
import fcntl
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import NamedTuple

import structlog

from gateway.delivery.files.names import (
    Span,
    final_name,
    lock_name,
    safe_name,
    span_of,
    state_name,
    unfinished_name,
    unfinished_of,
)
from gateway.delivery.files.part import Part
from gateway.delivery.files.rows import SORTS, Sort, line_of, sort_of
from gateway.delivery.files.state import FilesError, FolderState, load_state, open_own, save_state, stream_of
from gateway.delivery.plan import FilesPlan
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptRecord

__all__ = ["Convert", "HistoryFolder", "Written"]

FILE_DAMAGED = "files.damaged"
NO_LOCK = "files.no_lock"

Convert = Callable[[Path, Path, Sort], None]
"""Makes of a CSV file another one, on the disk when it returns. Raises FilesError or OSError."""

_LATE = timedelta(seconds=60)
"""Rows of a span may come so long after its end: they are committed within seconds."""
_SAVE_EVERY_S = 60.0
_MOST_OPEN = 8
"""A clock that is set to and fro could begin any number."""
_ROWS_A_TURN = 8
"""Then whoever else has something to do has his turn: half a millisecond."""
_NO_LOCKS = frozenset({errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL})
_SENTENCES = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the quota of this user on the disk is used up",
    errno.ENOENT: "there is no such folder; make it once its disk is mounted: the gateway makes none",
    errno.ENOTDIR: "it is no folder",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "this user may not write there",
    errno.EPERM: "this user may not write there",
    errno.ELOOP: "a symbolic link stands in the place of one of its files; take it away",
    errno.ESTALE: "the server of the disk no longer knows it",
}


class Written(NamedTuple):
    """What became of entries that were to be written."""

    refused: Mapping[int, str]
    """By position, entries that are no rows and never will be: sentences."""


class HistoryFolder:
    """`open` it, `write` and `finish` as long as all goes well; after any error `close` it and begin again."""

    def __init__(self, plan: FilesPlan, site: str, convert: Convert | None = None) -> None:
        """`convert`: to the format of the plan; None for CSV."""
        self._plan = plan
        self._site = site
        self._safe = safe_name(site)
        self._convert = convert
        self._ending = plan.format
        self._log = structlog.get_logger("gateway.delivery").bind(destination=plan.name)
        self._folder = self._lock = -1
        self._state = FolderState(site)
        self._parts: dict[tuple[str, str], Part] = {}
        """By sort and span."""
        self._leftovers: list[Part] = []
        """Nothing is to be added to them."""
        self._writer = secrets.token_hex(16)
        self._synced: dict[str, int] = {}
        """Unfinished files of this writer: what is behind may be in memory and nowhere else, after a failed sync."""
        self._saved_s = 0.0
        self._warned = False
        self._is_open = False

    def open(self) -> None:
        """Find out how the folder was left. Raises FilesError."""
        with self._in_words():
            self._folder = os.open(self._plan.folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self._take_lock()
            now_s = time.monotonic()
            name = state_name(self._safe)
            self._state = load_state(self._folder, name, now_s) or FolderState(self._site)
            if self._state.site != self._site:
                text = f"its files of that name are those of site {self._state.site}; give this one another folder"
                raise FilesError("other_gateway", text)
            if self._state.writer != self._writer:
                # Somebody else has been here since, and knows better.
                self._synced.clear()
            self._state.writer = self._writer
            self._recover()
            for file in sorted(os.listdir(self._folder)):
                self._resume(file, now_s)
            self._save()
        self._is_open = True

    def write(self, entries: Sequence[Entry], zone: tzinfo) -> Written:
        """Add to their files those that are not there yet; on the disk when it returns. Raises FilesError."""
        refused = {}
        with self._in_words():
            now_s = time.monotonic()
            if entries:
                self._state.given(entries[0].position)
            newest: dict[tuple[str, str, str], datetime] = {}
            for count, entry in enumerate(entries):
                if count % _ROWS_A_TURN == 0:
                    time.sleep(0)
                if self._state.marks.has(entry):
                    continue
                try:
                    row = line_of(entry, zone)
                except DeliveryError as error:
                    refused[entry.position] = str(error)
                    continue
                span = span_of(_instant(entry), self._plan.each_s)
                stream = stream_of(entry)
                if span.start < newest.get(stream, span.start):
                    # A clock that was set back: what came before it is to be on the disk before it.
                    self._sync_all()
                newest[stream] = span.start
                part = self._part(sort_of(entry), span)
                part.add(row)
                part.touched_s = now_s
                self._state.marks.add(entry, now_s)
            self._sync_all()
            self._check_folder()
            if entries:
                self._finish_those_before(min(map(_instant, entries)) - _LATE)
            if time.monotonic() - self._saved_s >= _SAVE_EVERY_S:
                self._save()
        return Written(refused)

    def finish(self, now: datetime) -> None:
        """Nothing waits to be written: files of a time that is over get their names. Raises FilesError.

        One that nothing has come to for as long as a file is for goes too: it is of a clock that was set.
        """
        with self._in_words():
            self._finish_those_before(now - _LATE)
            idle_since_s = time.monotonic() - self._plan.each_s
            for part in [each for each in self._parts.values() if each.touched_s < idle_since_s]:
                self._finish(part)

    @property
    def is_open(self) -> bool:
        """Whether it was opened well; after an error it is still to be closed."""
        return self._is_open

    def close(self) -> None:
        self._is_open = False
        for part in (*self._parts.values(), *self._leftovers):
            part.close()
        self._parts.clear()
        self._leftovers.clear()
        for descriptor in (self._lock, self._folder):
            if descriptor >= 0:
                with suppress(OSError):
                    os.close(descriptor)
        self._lock = self._folder = -1

    def save(self) -> None:
        """Before it is closed in good order: the next begins without reading the files. Raises FilesError."""
        with self._in_words():
            self._save()

    # What was left

    def _take_lock(self) -> None:
        self._lock = open_own(self._folder, lock_name(self._safe), os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            text = (
                f"another gateway writes the files of site {self._site} there, or a write of this one still hangs; "
                "give each gateway a folder of its own"
            )
            raise FilesError("other_gateway", text) from error
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
            if not self._warned:
                self._warned = True
                self._log.warning(NO_LOCK, folder=str(self._plan.folder), hint="two gateways there go unnoticed")

    def _recover(self) -> None:
        """A crash came while files got their names."""
        for name, final in self._state.finishing.items():
            if self._convert is None:
                if self._exists(name) and not self._exists(final):
                    os.rename(name, final, src_dir_fd=self._folder, dst_dir_fd=self._folder)
                continue
            if self._exists(_made(name)):
                os.rename(_made(name), final, src_dir_fd=self._folder, dst_dir_fd=self._folder)
            with suppress(FileNotFoundError):
                os.unlink(name, dir_fd=self._folder)
        self._state.finishing.clear()
        os.fsync(self._folder)

    def _resume(self, file: str, now_s: float) -> None:
        found = unfinished_of(file, self._safe)
        if found is None or found.sort not in SORTS:
            return
        sort, span = SORTS[found.sort], span_of(found.span.start, self._plan.each_s)
        is_of_today = span.name == found.span.name
        part = Part.resume(self._folder, file, sort, span if is_of_today else found.span, found.part)
        self._leftovers.append(part)
        if file in self._synced:
            part.cut_back(self._synced[file])
        resumed = part.look(self._state.lengths.get(file, 0), self._state.marks, now_s)
        if resumed.set_aside is not None:
            self._log.error(FILE_DAMAGED, folder=str(self._plan.folder), file=file, kept_as=resumed.set_aside)
        part.touched_s = now_s
        key = (sort.name, span.name)
        # Another setting has other spans, another version other columns: such a file is done as it is.
        if resumed.is_current and is_of_today and key not in self._parts:
            self._leftovers.remove(part)
            self._parts[key] = part

    # Parts

    def _part(self, sort: Sort, span: Span) -> Part:
        key = (sort.name, span.name)
        part = self._parts.get(key)
        if part is None:
            if len(self._parts) >= _MOST_OPEN:
                self._finish(min(self._parts.values(), key=lambda each: each.touched_s))
            number = self._state.parts.get(f"{span.name}_{sort.name}", 0) + 1
            while self._exists(name := unfinished_name(self._safe, span, sort.name, number)):
                number += 1
            part = self._parts[key] = Part.begin(self._folder, name, sort, span, number)
            self._synced[name] = 0
        return part

    def _sync_all(self) -> None:
        """By their time: a row on the disk says that all before it of its stream are there too, and a crash between
        two files must not make that untrue."""
        for part in sorted(self._parts.values(), key=lambda each: each.span.start):
            if part.has_waiting:
                self._sync(part)

    def _sync(self, part: Part) -> None:
        part.sync()
        self._synced[part.name] = part.length

    def _finish_those_before(self, end: datetime) -> None:
        for part in [*self._leftovers, *(each for each in self._parts.values() if each.span.end <= end)]:
            self._finish(part)

    def _finish(self, part: Part) -> None:
        """It gets its name. What is said of it before is enough to go on from at whatever instant this breaks off."""
        if part.has_waiting:
            self._sync_all()
        if part.has_waiting:  # one of the leftovers
            self._sync(part)
        key = f"{part.span.name}_{part.sort.name}"
        if part.is_empty:
            os.unlink(part.name, dir_fd=self._folder)
        else:
            number = max(part.number, self._state.parts.get(key, 0) + 1)
            while self._exists(final := self._final(part, number)):
                number += 1
            if self._convert is not None:
                made = self._plan.folder / _made(part.name)
                made.unlink(missing_ok=True)
                self._convert(self._plan.folder / part.name, made, part.sort)
            self._state.parts[key] = number
            self._state.lengths.pop(part.name, None)
            self._state.finishing[part.name] = final
            self._save()
            of = part.name if self._convert is None else _made(part.name)
            os.rename(of, final, src_dir_fd=self._folder, dst_dir_fd=self._folder)
            if self._convert is not None:
                os.fsync(self._folder)
                os.unlink(part.name, dir_fd=self._folder)
            os.fsync(self._folder)
            del self._state.finishing[part.name]
        part.close()
        self._synced.pop(part.name, None)
        if part in self._leftovers:
            self._leftovers.remove(part)
        else:
            self._parts = {at: each for at, each in self._parts.items() if each is not part}

    def _final(self, part: Part, number: int) -> str:
        return final_name(self._safe, part.span, part.sort.name, number, self._ending)

    def _save(self) -> None:
        # What is among the marks is on the disk.
        self._sync_all()
        self._state.lengths = {each.name: each.length for each in (*self._parts.values(), *self._leftovers)}
        for name in self._state.finishing:
            self._state.lengths.pop(name, None)
        self._saved_s = time.monotonic()
        save_state(self._folder, state_name(self._safe), self._state, self._saved_s)

    # The folder

    def _exists(self, name: str) -> bool:
        try:
            os.stat(name, dir_fd=self._folder, follow_symlinks=False)
        except FileNotFoundError:
            return False
        return True

    def _check_folder(self) -> None:
        """What lies in a folder that was moved away, or is hidden behind a disk that was mounted, nobody finds."""
        mine, there = os.fstat(self._folder), os.stat(self._plan.folder)
        if (mine.st_dev, mine.st_ino) != (there.st_dev, there.st_ino):
            raise FilesError("not_written", f"{self._plan.folder}: another folder has taken its place")

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        """What failed is said; and nothing more is written or saved before it has been opened anew."""
        well, self._is_open = self._is_open, False
        try:
            yield
            self._is_open = well
        except FilesError as error:
            told = str(error)
            raise FilesError(error.code, told if told.startswith("/") else f"{self._plan.folder}: {told}") from error
        except OSError as error:
            words = _SENTENCES.get(error.errno or 0) or f"it cannot be written: {error.strerror or error}"
            raise FilesError("not_written", f"{self._plan.folder}: {words}") from error


def _instant(entry: Entry) -> datetime:
    return entry.record.inventory.instant if isinstance(entry, KeptRecord) else entry.event.instant


def _made(unfinished: str) -> str:
    """What another format is made under, before it gets its name."""
    return f"{unfinished.removesuffix('.csv.unfinished')}.made"
