"""What the watch of a tank remembers, kept in the very commit of the events that it has come to.

A restart then goes on from what was told: nothing is raised anew, and nothing was told that it does not know of. The
memory of the whole site, kept each minute, has all of it too; from then on these rows are not needed. What is newer
goes by the order in which it came, never by UTC: a clock that is set back must not bring back what was before.
"""

import sqlite3
from collections.abc import Mapping
from typing import Any

import orjson

from gateway.kept_memory import KeptWatch, plain_watch
from gateway.ledger.codec import packed, unpacked

__all__ = ["KeptWatches", "read_watches", "watch_in"]

_NAME = "watch "


class KeptWatches:
    """The rows of this process. For the writer's thread alone; raises sqlite3.Error."""

    def __init__(self) -> None:
        self._newest: dict[str, KeptWatch] = {}
        """By tank, of those that the memory of the site has not got yet."""

    def write(self, connection: sqlite3.Connection, watches: Mapping[str, KeptWatch]) -> None:
        """Each in place of the one before it."""
        self._newest |= watches
        _write(connection, watches)

    def write_again(self, connection: sqlite3.Connection) -> None:
        """Into another file."""
        _write(connection, self._newest)

    def drop(self, connection: sqlite3.Connection, steady_ns: int) -> None:
        """Those that the memory of the site has in it that was taken then, and all of processes before."""
        self._newest = {tag: kept for tag, kept in self._newest.items() if kept.steady_ns > steady_ns}
        dropped = [(_NAME + tag,) for tag in read_watches(connection) if tag not in self._newest]
        connection.executemany("DELETE FROM memory WHERE name = ?", dropped)


def _write(connection: sqlite3.Connection, watches: Mapping[str, KeptWatch]) -> None:
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
