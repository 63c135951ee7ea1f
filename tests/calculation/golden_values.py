"""Rows of tests/golden/*.csv: values from outside the project, each with its source. A row without one is refused."""

import csv
from pathlib import Path
from typing import NamedTuple

__all__ = ["GoldenRow", "golden_rows"]

_FOLDER = Path(__file__).parents[1] / "golden"
_CONFIDENCE = {"high", "medium", "low"}


class GoldenRow(NamedTuple):
    id: str
    check: str
    """Which relation the row belongs to, for files with several."""
    inputs: dict[str, str]
    expected: str
    tolerance: float
    source: str
    page: str
    confidence: str

    def number(self, name: str) -> float:
        return float(self.inputs[name])

    @property
    def value(self) -> float:
        return float(self.expected)


def golden_rows(file: str, check: str | None = None) -> list[GoldenRow]:
    """The rows of one file, of one check when named. Raises ValueError for a row without source or confidence."""
    rows = []
    with (_FOLDER / file).open(encoding="utf-8", newline="") as stream:
        for line in csv.DictReader(stream):
            if not line["source"].strip() or line["confidence"] not in _CONFIDENCE:
                raise ValueError(f"{file}: row {line['id']} names no source or no confidence")
            inputs = dict(part.split("=", 1) for part in line["inputs"].split(";") if part)
            row = GoldenRow(
                line["id"],
                line["check"],
                inputs,
                line["expected"],
                float(line["tolerance"]),
                line["source"],
                line["page"],
                line["confidence"],
            )
            if check is None or row.check == check:
                rows.append(row)
    if not rows:
        raise ValueError(f"{file}: no rows for {check}")
    return rows
