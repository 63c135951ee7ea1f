"""When a ledger was last copied and where to, in a small file beside it: whoever asks whether a copy exists is told."""

import os
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from gateway.files import UnreadableError, read_bytes, replace_whole
from gateway.payload.plain import iso_time

__all__ = ["Copied", "last_copy", "note_copy"]

_LARGEST_BYTES = 20_000
_SCHEMA = "tank-gateway/ledger-copied/1"


class Copied(NamedTuple):
    """The copy that was made last and found whole. Whether it is still there nobody has looked."""

    time: datetime
    """UTC."""
    file: str
    size_bytes: int


def note_copy(ledger: Path, copied: Copied) -> None:
    """Raises OSError."""
    told = {
        "schema": _SCHEMA,
        "time": iso_time(copied.time),
        "file": copied.file,
        "size_bytes": copied.size_bytes,
    }
    note, owner = _beside(ledger), ledger.stat()
    replace_whole(str(note), orjson.dumps(told))
    # Who copies may be root: the gateway is to read it.
    os.chmod(note, owner.st_mode & 0o777)
    with suppress(PermissionError):
        os.chown(note, owner.st_uid, owner.st_gid)


def last_copy(ledger: Path) -> Copied | None:
    """None: none was noted. Raises UnreadableError for a note that cannot be read, ValueError for one that is none."""
    try:
        told: Any = orjson.loads(read_bytes(_beside(ledger), _LARGEST_BYTES))
    except UnreadableError as error:
        if error.missing:
            return None
        raise
    if not isinstance(told, dict) or told.get("schema") != _SCHEMA:
        raise ValueError("it is no note of a copy")
    try:
        return Copied(datetime.fromisoformat(told["time"]), str(told["file"]), int(told["size_bytes"]))
    except (KeyError, TypeError) as error:
        raise ValueError("it is no note of a copy") from error


def _beside(ledger: Path) -> Path:
    return ledger.with_name(f"{ledger.name}.copied")
