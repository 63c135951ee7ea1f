"""A table written as CSV reads back as the same table."""

from datetime import date
from pathlib import Path

import pytest

from gateway.calculation.shapes import Head, LyingCylinder, UprightCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.making import table_from_shape
from gateway.errors import QuantityError
from gateway.settings.capacity.table_file import read_capacity_csv
from gateway.settings.capacity.text import capacity_csv

STATED = CapacityTable(
    "TK-7, spring",
    (-0.062, 0.1, 13.0),
    (4.2, 30.1, 3000.7),
    4.2,
    "datum plate",
    date(2026, 3, 2),
    15.0,
    True,
    838.0,
    True,
    742.5,
    "invented; checked twice",
)
TABLES = {
    "stated": STATED,
    "bare": CapacityTable("T", (0.0, 1.0), (0.0, 1.0), datum="tank floor"),
    "made": table_from_shape(LyingCylinder(3.0, 10.0, Head.TORISPHERICAL), "B", 0.013),
    "heel": table_from_shape(UprightCylinder(12.0, 11.0, 4.2), "J", 0.5),
}


@pytest.mark.parametrize("name", sorted(TABLES))
def test_reads_back_as_it_was(tmp_path: Path, name: str) -> None:
    path = tmp_path / "table.csv"
    path.write_text(capacity_csv(TABLES[name]), encoding="utf-8")
    assert read_capacity_csv(path) == TABLES[name]


@pytest.mark.parametrize(("level_unit", "volume_unit"), [("mm", "L"), ("in", "US gal"), ("ft", "bbl")])
def test_reads_back_from_other_units(tmp_path: Path, level_unit: str, volume_unit: str) -> None:
    path = tmp_path / "table.csv"
    path.write_text(capacity_csv(STATED, level_unit, volume_unit), encoding="utf-8")
    table = read_capacity_csv(path)
    assert table.levels_m == pytest.approx(STATED.levels_m, rel=1e-12)
    assert table.volumes_m3 == pytest.approx(STATED.volumes_m3, rel=1e-12)
    assert table.head_density_kg_m3 == STATED.head_density_kg_m3


def test_refuses_an_unknown_unit() -> None:
    with pytest.raises(QuantityError):
        capacity_csv(STATED, "m", "hogshead")
