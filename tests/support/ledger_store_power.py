"""A power cut under SQLite: every write, sync and cut of a file is recorded, and then played up to any moment, with
what was not synced by then dropped, torn or there, as it pleases.

SQLite takes the disk to keep what it was given with a sync, to change no byte outside of what is written (`powersafe
overwrite`, its default), and nothing else; so does this.
"""

import os
import random
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import apsw

__all__ = ["Op", "after_cuts", "replayed"]

_SECTOR = 512


class Op(NamedTuple):
    """What was asked of the disk."""

    what: str
    """`write`, `truncate`, `sync`, `delete`; or `said`: whoever asked for a transaction was told that it is kept."""
    file: str = ""
    offset: int = 0
    data: bytes = b""


def replayed(statements: Sequence[str], folder: Path) -> list[Op]:
    """What these statements ask of the disk, each COMMIT followed by a `said`."""
    ops: list[Op] = []

    class File(apsw.VFSFile):
        def __init__(self, name: Any, flags: list[int]) -> None:
            super().__init__("", name, flags)
            path = name.filename() if isinstance(name, apsw.URIFilename) else name
            self._name = os.path.basename(path)

        def xWrite(self, data: Any, offset: int) -> None:
            ops.append(Op("write", self._name, offset, bytes(data)))
            super().xWrite(data, offset)

        def xTruncate(self, newsize: int) -> None:
            ops.append(Op("truncate", self._name, newsize))
            super().xTruncate(newsize)

        def xSync(self, flags: int) -> None:
            super().xSync(flags)
            ops.append(Op("sync", self._name))

    class Disk(apsw.VFS):
        def xOpen(self, name: Any, flags: list[int]) -> Any:
            return File(name, flags)

        def xDelete(self, filename: str, syncdir: bool) -> None:
            ops.append(Op("delete", os.path.basename(filename)))
            super().xDelete(filename, syncdir)

    disk = Disk(f"power {id(ops)}", base="")
    connection = apsw.Connection(str(folder / "ledger"), vfs=f"power {id(ops)}")
    # Else the WAL would need memory that is shared between processes, which this door to the disk has not.
    connection.execute("PRAGMA locking_mode = EXCLUSIVE").fetchall()
    for statement in statements:
        connection.execute(statement).fetchall()
        if statement.strip() == "COMMIT":
            ops.append(Op("said"))
    connection.close()
    disk.unregister()
    return ops


class _File:
    """As it surely is on the disk, and what was asked of it since."""

    def __init__(self) -> None:
        self.sure = bytearray()
        self.is_there = self.is_going = False
        self.asked: list[Op] = []


def after_cuts(ops: Sequence[Op], cuts: int, source: random.Random) -> Iterator[tuple[int, Mapping[str, bytes]]]:
    """So many cuts at random: how much was said by then, and what is on the disk afterwards, by file."""
    last = max(index for index, op in enumerate(ops) if op.what == "said")
    moments = sorted(source.randrange(last + 1) for _ in range(cuts))
    files: dict[str, _File] = {}
    said = index = 0
    for moment in moments:
        for op in ops[index:moment]:
            if op.what == "said":
                said += 1
                continue
            file = files.setdefault(op.file, _File())
            if op.what == "delete":
                file.is_going = True
            elif op.what == "sync":
                for asked in file.asked:
                    _apply(file.sure, asked)
                file.asked.clear()
                if not file.is_there:
                    # With a new journal or WAL, SQLite syncs the folder: names that come and go before are sure then.
                    files = {name: each for name, each in files.items() if not each.is_going}
                file.is_there = True
            else:
                file.asked.append(op)
        index = max(index, moment)
        yield said, {name: left for name, file in files.items() if (left := _left(file, source)) is not None}


def _left(file: _File, source: random.Random) -> bytes | None:
    """After a cut; None: the file is not there."""
    if (file.is_going or not file.is_there) and source.random() < 0.5:
        return None
    found = bytearray(file.sure)
    keeps = source.choice((0.0, 0.5, 1.0))
    for op in file.asked:
        if source.random() >= keeps:
            continue
        if op.what == "write" and source.random() < 0.3:
            op = _torn(op, source)
        _apply(found, op)
    return bytes(found)


def _torn(op: Op, source: random.Random) -> Op:
    """The first or the last sectors of it only."""
    cut = source.randrange(0, len(op.data) // _SECTOR + 1) * _SECTOR
    if source.random() < 0.5:
        return op._replace(data=op.data[:cut])
    return op._replace(offset=op.offset + cut, data=op.data[cut:])


def _apply(data: bytearray, op: Op) -> None:
    if op.what == "truncate":
        del data[op.offset :]
    elif op.data:
        if len(data) < op.offset:
            data.extend(bytes(op.offset - len(data)))
        data[op.offset : op.offset + len(op.data)] = op.data
