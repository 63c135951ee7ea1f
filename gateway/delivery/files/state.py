"""What is written already: by it an entry that comes once more is known, also after a crash and without its file.

It stands in the folder itself, so that whoever goes on there knows it, on whatever machine.
"""

import os
import secrets
import stat
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import orjson

from gateway.errors import DeliveryError
from gateway.files import replace_whole
from gateway.history import Entry, KeptRecord

__all__ = ["PROCESS", "FilesError", "FolderState", "Marks", "load_state", "open_own", "save_state", "stream_of"]

STATE_SCHEMA = "tank-gateway/files-state/1"
_LARGEST_BYTES = 100_000_000
_FORGOTTEN_AFTER_S = 600.0
"""After its row was written, and only if it stands before all that can come again by its position: a ledger that was
begun anew has other positions."""
PROCESS = secrets.token_hex(16)
"""This one."""
_MOST_PARTS = 1000


class FilesError(DeliveryError):
    """The folder does not take history at present. Trying again helps once that is set right."""

    def __init__(self, code: str, text: str) -> None:
        self.code = code
        """Of a `Trouble`."""
        super().__init__(text)


_Key = tuple[str, str, str]
_Mark = tuple[int, int, int]


class Marks:
    """The newest entry of each tank and boot that is written.

    Entries of one boot and tank come in order: one that is not newer was written before. One with a greater position
    than that is none of these, whatever its number: then it is written, since a repeat does less harm than a loss.
    """

    def __init__(self) -> None:
        self._newest: dict[_Key, _Mark] = {}
        self._touched_s: dict[_Key, float] = {}

    def has(self, entry: Entry) -> bool:
        key, (sequence, number, position) = _mark_of(entry)
        mark = self._newest.get(key)
        return mark is not None and (sequence, number) <= mark[:2] and position <= mark[2]

    def add(self, entry: Entry, now_s: float) -> None:
        key, mark = _mark_of(entry)
        self.put(key, mark, now_s)

    def put(self, key: _Key, mark: _Mark, now_s: float) -> None:
        self._newest[key] = mark
        self._touched_s[key] = now_s

    def plain(self, now_s: float, again_from: int) -> list[list[str | int]]:
        """Without those that nothing can come again of. `now_s`: of the same clock as in `add`; `again_from`: entries
        before this position do not come again."""
        old = [key for key, at_s in self._touched_s.items() if now_s - at_s > _FORGOTTEN_AFTER_S]
        for key in old:
            if self._newest[key][2] < again_from:
                del self._newest[key], self._touched_s[key]
        return [[*key, *mark] for key, mark in self._newest.items()]

    def take(self, plain: Iterable[list[Any]], now_s: float) -> None:
        """What `plain` gave."""
        for sort, tank, boot, sequence, number, position in plain:
            self.put((str(sort), str(tank), str(boot)), (int(sequence), int(number), int(position)), now_s)


def _mark_of(entry: Entry) -> tuple[_Key, _Mark]:
    if isinstance(entry, KeptRecord):
        identity, sort, number = entry.record.identity, "records", 0
    else:
        identity, sort, number = entry.identity, "events", entry.number
    return (sort, identity.tank, identity.boot), (identity.sequence, number, entry.position)


def stream_of(entry: Entry) -> _Key:
    """What comes in order: the records, or the events, of one tank and boot."""
    return _mark_of(entry)[0]


@dataclass
class FolderState:
    """As it stands in its file."""

    site: str
    writer: str = ""
    """Who was the last."""
    process: str = ""
    """Which process has written last, and from which position on it was given entries: that is behind the cursor with
    which it began, however far the cursor in the ledger's file has come since."""
    again_from: int = 0
    marks: Marks = field(default_factory=Marks)
    lengths: dict[str, int] = field(default_factory=dict)
    """Of unfinished files, by name: up to there all is known to be on the disk, and among the marks."""
    parts: dict[str, int] = field(default_factory=dict)
    """How many files of a span and sort there have been, also those that somebody has taken away."""
    finishing: dict[str, str] = field(default_factory=dict)
    """What an unfinished file is about to become."""

    def given(self, first: int) -> None:
        """Entries from this position on are to be written."""
        if self.process != PROCESS:
            self.process, self.again_from = PROCESS, first


def load_state(folder: int, name: str, now_s: float) -> FolderState | None:
    """None where there is none. Raises OSError; FilesError where it is none of ours."""
    try:
        descriptor = open_own(folder, name, os.O_RDONLY)
    except FileNotFoundError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        data = file.read(_LARGEST_BYTES)
    try:
        plain = orjson.loads(data)
        if plain["schema"] != STATE_SCHEMA:
            raise FilesError("other_gateway", f"{name} in it is of another version of the gateway: {plain['schema']}")
        state = FolderState(str(plain["site"]), str(plain["writer"]))
        state.process, state.again_from = str(plain.get("process", "")), int(plain.get("again_from", 0))
        state.marks.take(plain["newest"], now_s)
        state.lengths = {str(key): int(value) for key, value in plain["lengths"].items()}
        state.parts = {str(key): int(value) for key, value in plain["parts"].items()}
        state.finishing = {str(key): str(value) for key, value in plain["finishing"].items()}
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        text = f"{name} in it is damaged; move it away, then the unfinished files say what is written already"
        raise FilesError("not_written", text) from error
    return state


def save_state(folder: int, name: str, state: FolderState, now_s: float) -> None:
    """Replace it, or leave it as it is and raise OSError."""
    while len(state.parts) > _MOST_PARTS:
        del state.parts[next(iter(state.parts))]
    plain = {
        "schema": STATE_SCHEMA,
        "site": state.site,
        "writer": state.writer,
        "process": state.process,
        "again_from": state.again_from,
        "newest": state.marks.plain(now_s, state.again_from),
        "lengths": state.lengths,
        "parts": state.parts,
        "finishing": state.finishing,
    }
    replace_whole(name, orjson.dumps(plain), folder=folder)


def open_own(folder: int, name: str, flags: int, mode: int = 0o644) -> int:
    """A regular file of the folder that has no other name. Raises OSError; FilesError for anything else.

    Others may write into the folder too: what they put there must not lead the gateway to another file.
    """
    descriptor = os.open(name, flags | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, mode, dir_fd=folder)
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
            raise FilesError("not_written", f"{name} in it is no file of its own; take it away")
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor
