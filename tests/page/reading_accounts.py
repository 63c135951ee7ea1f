"""Tables of the accounts as their reader sees them, and the same reports as another program writes them."""

import csv
import io
from decimal import Decimal

from tests.page.reading import Node, Page

__all__ = ["cells", "decimal_of", "report_tables", "statement"]

_ROWS = """
    const texts = (row) => [...row.children].map((cell) => cell.innerText.trim());
    return [...arguments[0].querySelectorAll('tr')].map(texts);
"""


def cells(page: Page, node: Node) -> list[list[str]]:
    """What stands in the rows of a table, or of all tables within a part of the page."""
    found: list[list[str]] = page.script(_ROWS, node.element)
    return found


def statement(page: Page, node: Node) -> dict[str, list[str]]:
    """A table of two columns of numbers, by what its lines are called (without the sign before them)."""
    return {row[0].lstrip("+−±= ").strip(): row[1:] for row in cells(page, node)}


def decimal_of(text: str) -> Decimal:
    """A number of the page, without its unit, thousands and marks. Raises InvalidOperation for anything else."""
    plain = text.partition("\n")[0].replace(",", "").replace("−", "-").replace("± ", "").replace(" %", "")
    return Decimal(plain.removesuffix("estimated").strip().rstrip("?✎"))


def report_tables(text: str) -> dict[str, list[dict[str, str]]]:
    """The rows of a report as CSV by the title of their table, each by its columns without their units; and sums."""
    found: dict[str, list[dict[str, str]]] = {}
    for row in csv.DictReader(io.StringIO(text)):
        if row["line"] in ("row", "total"):
            plain = {name.partition(" [")[0]: cell for name, cell in row.items()}
            found.setdefault(f"{row['table']}{' total' if row['line'] == 'total' else ''}", []).append(plain)
    return found
