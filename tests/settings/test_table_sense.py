"""What a site file is told of its tanks' capacity tables: absurd sizes, and the dimensions that stand beside them."""

from pathlib import Path

import pytest

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import Weighting
from gateway.calculation.shapes import Head, LyingCylinder, Sphere, UprightCylinder
from gateway.calculation.tables.making import table_from_shape
from gateway.settings.capacity.text import capacity_csv
from gateway.settings.tanks.shape_models import VesselKind
from tests.settings.yard import tank

UPRIGHT = UprightCylinder(18.0, 14.6)


def warnings(
    folder: Path, shape: Capacity, *, thousandth: bool = False, table: str = "", **keys: str
) -> tuple[str, ...]:
    """What is said of TK-1 with a table of `shape`, for volumes in m3 that are litres: `thousandth`."""
    text = capacity_csv(table_from_shape(shape, "T", 0.1), "m", "m3")
    if thousandth:
        text = text.replace("# volume: m3", "# volume: L")
    (folder / "t.csv").write_text(text, encoding="utf-8")
    given = {"reference_height": "20.0 m", **keys}
    return tuple(
        text.partition("tanks.TK-1.")[2]
        for text in tank(folder, capacity_table=f"{{file: t.csv{table}}}", **given)[1]
        if "capacity_table" in text or "liquid_head" in text
    )


@pytest.mark.parametrize(
    ("shape", "table"),
    [
        (UPRIGHT, ""),
        (UPRIGHT, ", compare_with: {kind: upright_cylinder, diameter: 18.0 m, height: 14.6 m}"),
        (
            UPRIGHT,
            ", kind: upright_cylinder, compare_with: {kind: upright_cylinder, diameter: 18.04 m, height: 14.6 m}",
        ),
        (Sphere(14.0), ", kind: sphere"),
        (LyingCylinder(3.0, 18.0, Head.FLAT), ", kind: lying_cylinder"),
    ],
)
def test_a_table_of_the_tank_is_not_spoken_of(tmp_path: Path, shape: Capacity, table: str) -> None:
    assert warnings(tmp_path, shape, table=table) == ()


@pytest.mark.parametrize(
    ("shape", "kind", "words"),
    [
        (UPRIGHT, "", "a tank of 0.569 m across and 14.6 m high"),
        (UprightCylinder(8.0, 8.0), "", "a mean diameter of 0.253 m, where tanks have 0.3 m to 120 m"),
        (LyingCylinder(3.0, 18.0, Head.FLAT), ", kind: lying_cylinder", "a mean diameter of 0.232 m"),
        (Sphere(16.0), ", kind: sphere", "a tank of 0.413 m across and 16 m high"),
    ],
)
def test_litres_taken_for_cubic_metres_and_back(tmp_path: Path, shape: Capacity, kind: str, words: str) -> None:
    (found,) = warnings(tmp_path, shape, thousandth=True, table=kind)
    assert found.startswith(f"capacity_table: its volumes give {words}")
    assert found.endswith("; see to its units and marks of thousands")


def test_dimensions_that_the_table_does_not_suit(tmp_path: Path) -> None:
    # (18 / 18.1)^2 = 0.98898.
    dimensions = "{kind: upright_cylinder, diameter: 18.1 m, height: 14.6 m}"
    (found,) = warnings(tmp_path, UPRIGHT, table=f", compare_with: {dimensions}")
    assert found == (
        "capacity_table.compare_with: 142 rows are off these dimensions: 142 rows from 0.5000 m to 14.6000 m, at "
        "14.6000 m: 3715.25 m3, -41.4 m3 (-1.1 %) from the dimensions (3756.64 m3), more than 0.5 %; "
        "`tank-gateway table check` says more"
    )


def test_dimensions_say_what_the_tank_is(tmp_path: Path) -> None:
    warnings(tmp_path, Sphere(14.0))
    dimensions = "{file: t.csv, compare_with: {kind: sphere, diameter: 14.0 m}}"
    setup, _ = tank(tmp_path, capacity_table=dimensions, reference_height="15 m")
    assert (setup.kind, setup.dimensions) == (VesselKind.SPHERE, Sphere(14.0))
    assert setup.plan.temperature.weighting is Weighting.SLICE_VOLUME
    setup, _ = tank(tmp_path, capacity_table="t.csv", reference_height="15 m")
    assert (setup.kind, setup.dimensions) == (None, None)
    assert tank(tmp_path)[0].kind is VesselKind.UPRIGHT_CYLINDER


@pytest.mark.parametrize(
    ("diameter", "spoken_of"), [("18.00", False), ("18.04", False), ("18.05", True), ("17.95", True)]
)
def test_the_diameter_of_the_liquid_head(tmp_path: Path, diameter: str, spoken_of: bool) -> None:
    # (18.04 / 18)^2 = 1.0044, (18.05 / 18)^2 = 1.0056, (17.95 / 18)^2 = 0.9945.
    head = f"{{diameter: {diameter} m, courses: [{{height: 16 m, thickness: 8 mm}}]}}"
    found = warnings(tmp_path, UPRIGHT, liquid_head=head)
    words = "is more than 0.5 % in surface off the capacity table, whose volumes are those of 18.000 m"
    assert found == ((f"liquid_head.diameter: {words}",) if spoken_of else ())
