"""A file of rows as Parquet, by duckdb (the extra `parquet`): the same columns, each of its own type."""

import os
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from gateway.delivery.files.rows import FORMULA_MARK, Sort
from gateway.delivery.files.state import FilesError

__all__ = ["missing_part", "parquet_from_csv", "require_duckdb"]

_MEMORY = "256MB"
_ROWS_A_GROUP = 10_000


_MISSING = "format: parquet needs duckdb, which is not installed; pip install 'tank-gateway[parquet]'"


def missing_part() -> str | None:
    """What is not installed that this format needs, in a sentence; None: nothing."""
    return _MISSING if find_spec("duckdb") is None else None


def require_duckdb() -> Any:
    """The library. Raises FilesError where it is not installed."""
    try:
        import duckdb
    except ImportError as error:
        raise FilesError("not_written", _MISSING) from error
    return duckdb


def parquet_from_csv(rows: Path, made: Path, sort: Sort) -> None:
    """Write `made`, on the disk when this returns. Raises FilesError or OSError."""
    duckdb = require_duckdb()
    with open(rows, encoding="utf-8", newline="") as file:
        names = file.readline().rstrip("\r\n").split(",")
    kinds = {column.name: column.kind for column in sort.columns}
    # A file begun by another version may have other columns: what is not known is text.
    columns = {name: kinds.get(name, "VARCHAR") for name in names}
    try:
        with duckdb.connect(":memory:") as connection:
            # One thread: the rest of the machine is for the polling. Times are UTC, whatever the machine's own zone.
            connection.execute(f"SET threads = 1; SET memory_limit = '{_MEMORY}'; SET TimeZone = 'UTC'")
            cells = ", ".join(map(_cell, columns.items()))
            read = (
                f"SELECT {cells} FROM read_csv(?, header = true, auto_detect = false, delim = ',', quote = '\"', "
                f"escape = '\"', nullstr = '', strict_mode = true, columns = {columns!r})"
            )
            form = f"FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE {_ROWS_A_GROUP}"
            connection.execute(f"COPY ({read}) TO '{_quoted(made)}' ({form})", [str(rows)])
    except duckdb.Error as error:
        first = str(error).partition("\n")[0]
        raise FilesError("not_written", f"{rows.name} cannot be made into Parquet: {first}") from error
    _sync(made)


def _cell(column: tuple[str, str]) -> str:
    """Without the mark that a text of CSV has for the sake of spreadsheets."""
    name, kind = column[0].replace('"', '""'), column[1]
    if kind != "VARCHAR":
        return f'"{name}"'
    mark = FORMULA_MARK.replace("'", "''")
    return f"""CASE WHEN starts_with("{name}", '{mark}') THEN substr("{name}", 2) ELSE "{name}" END AS "{name}\""""


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        os.fchmod(descriptor, 0o644)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
