"""`check` looks at the capacity tables of a site for slips: a warning, in bounded time, with how to look closer."""

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.calculation.shapes.cylinders import UprightCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.making import table_from_shape
from gateway.commands.service import check_tables
from gateway.commands.service.check_tables import look_at_tables
from gateway.settings.capacity.marks import DecimalMark
from gateway.settings.capacity.text import capacity_csv
from gateway.settings.site import load_site
from tests.commands.harbour import HARBOUR
from tests.commands.typed import typed

_TANK = """  TK-NUMBER: {product: diesel, capacity_table: tk-NUMBER.csv, free_water: none, reference_height: 15.24 m,
    level: {instrument: LT-NUMBER, signal: ullage, measures: ullage},
    temperature: {instrument: TT-NUMBER, elements: [{signal: t1, height: 1 m}, {signal: t2, height: 2 m},
      {signal: t3, height: 3 m}, {signal: t4, height: 4 m}, {signal: t5, height: 5 m}]}}
"""


def _sound() -> CapacityTable:
    return table_from_shape(UprightCylinder(18.0, 14.6), "TK, from drawings", 0.1)


def _with_slip() -> CapacityTable:
    """At 5.000 m 1272.345 m3 (pi/4 18^2 5) were copied as 1277.345: one digit wrong."""
    table = _sound()
    volumes = list(table.volumes_m3)
    assert round(volumes[50], 3) == 1272.345
    volumes[50] += 5.0
    return replace(table, volumes_m3=tuple(volumes))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    for number, table in ((1, _sound()), (2, _with_slip())):
        (tmp_path / f"tk-{number}.csv").write_text(capacity_csv(table, "m", "m3", DecimalMark.DOT), "utf-8")
    path = tmp_path / "site.yaml"
    path.write_text(HARBOUR + "".join(_TANK.replace("NUMBER", str(number)) for number in (1, 2)), "utf-8")
    return path


def test_a_slip_is_a_warning_that_names_tank_and_level(capsys: pytest.CaptureFixture[str], site: Path) -> None:
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    found = [line for line in said.out.splitlines() if "capacity_table" in line]
    assert found[0].startswith(f"warning: {site}: tanks.TK-2.capacity_table: ")
    assert "row 51, 5.0000 m: 1277.345 m3 is 5 m3 more than the rows around let one expect" in found[0]
    assert found[1:] == [
        f"warning: {site}: tanks.TK-2.capacity_table: look closer with `tank-gateway table check FILE --site {site} "
        "--tank TK-2`"
    ]


def test_what_the_time_does_not_allow_is_said(site: Path) -> None:
    """The first table took 1.5 s of the second that there is; the other is left to the tool for it."""
    times = iter([0.0, 0.0, 1.5])
    looked = look_at_tables("site.yaml", load_site(site), lambda: next(times))
    assert looked.warnings == ()
    assert looked.remarks == (
        "not looked at for slips: the capacity table of TK-2 (after 1 s, or of more than 20,000 rows); "
        "`tank-gateway table check` looks at each",
    )


def test_a_table_of_very_many_rows_is_left_out(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_tables, "MOST_ROWS", 146)
    assert len(_sound().levels_m) == 147
    assert "the capacity tables of TK-1, TK-2 (" in look_at_tables("site.yaml", load_site(site)).remarks[0]
