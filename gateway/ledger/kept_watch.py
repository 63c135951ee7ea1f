"""What the watch of a tank remembers, kept in the very commit of the events that it has come to.

A restart then goes on from what was told: nothing is raised anew, and nothing was told that it does not know of. The
memory of the whole site, kept each minute, has all of it too; from then on these rows are not needed.
"""

import sqlite3
from collections.abc import Collection, Mapping
from typing import Any

import orjson

from gateway.kept_memory import KeptWatch, plain_watch
from gateway.ledger.codec import packed, unpacked

__all__ = ["drop_watches", "read_watches", "watch_in", "write_watches"]

_NAME = "watch "


def write_watches(connection: sqlite3.Connection, watches: Mapping[str, KeptWatch]) -> None:
    """Raises sqlite3.Error."""
    connection.executemany(
        "INSERT OR REPLACE INTO memory VALUES (?, ?, ?)",
        [(_NAME + tag, kept.utc_ns, packed(orjson.dumps(plain_watch(kept)))) for tag, kept in watches.items()],
    )


def read_watches(connection: sqlite3.Connection) -> dict[str, bytes]:
    """Bodies by tank; the gateway's own under the empty name. Raises sqlite3.Error."""
    rows = connection.execute("SELECT name, body FROM memory WHERE substr(name, 1, ?) = ?", (len(_NAME), _NAME))
    return {name[len(_NAME) :]: body for name, body in rows}


def watch_in(body: bytes) -> Any:
    """Plain values of a body. Raises BodyError, orjson.JSONDecodeError."""
    return orjson.loads(unpacked(body))


def drop_watches(connection: sqlite3.Connection, *, but: Collection[str]) -> None:
    """Those that the memory of the site has in it: all but those of tanks to which something has happened since.

    Not by UTC: where that clock was set back, what is newer looks older. Raises sqlite3.Error.
    """
    rows = connection.execute("SELECT name FROM memory WHERE substr(name, 1, ?) = ?", (len(_NAME), _NAME)).fetchall()
    names = [(name,) for (name,) in rows if name[len(_NAME) :] not in but]
    connection.executemany("DELETE FROM memory WHERE name = ?", names)
