"""A small count of one destination that a restart goes on with: what is done with it within a transaction."""

import sqlite3

__all__ = ["next_number"]


def next_number(connection: sqlite3.Connection, destination: str, modulo: int) -> int:
    """The number behind the one that was given last, 0 behind `modulo` - 1; the first is 0. Raises sqlite3.Error."""
    key = f"count of {destination}"
    found = connection.execute("SELECT value FROM about WHERE key = ?", (key,)).fetchone()
    try:
        number = 0 if found is None else (int(found[0]) + 1) % modulo
    except ValueError:  # written by hand
        number = 0
    connection.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (key, str(number)))
    return number
