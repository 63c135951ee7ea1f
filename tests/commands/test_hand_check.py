"""A surveyor's sheet on a site that is not the demo: what each line says it follows is enough to come to its figure.

Every expected figure is worked out here from the relation that the sheet prints, by the printed constants.
"""

import math
from pathlib import Path
from typing import Any

import pytest

from tests.commands.typed import Said, typed

SITE = """site: {name: river-terminal, time_zone: Asia/Kuala_Lumpur, gravity: 9.7803 m/s2}
lines: {field: {address: 192.0.2.10:502}}
instruments:
  LT-1: {line: field, unit: 1, map: level_by_ullage_uint32, period: 2 s}
  LT-2: {line: field, unit: 2, map: level_by_ullage_uint32, period: 2 s}
  LT-3: {line: field, unit: 3, map: level_by_ullage_uint32, period: 2 s}
products:
  diesel: {method: api_11_1_2004, group: refined, reference_temperature: 15 degC}
  palm: {method: fatty_oil, source: report 8, litre_weight: {temperature: 50 degC, weight: 0.8920 kg/L}}
  lpg: {method: lpg_tp27, reference_temperature: 15 degC, vapour_pressure: {composition: {propane: 100 %}, basis: mole},
    reference_density: {value: 507 kg/m3, entered: 2026-11-25T06:00Z, expires: 31 d}}
tanks:
  UP-1:
    product: diesel
    shape: {kind: upright_cylinder, diameter: 24 m, height: 14 m}
    reference_height: 14.85 m
    density: {value: 838.9 kg/m3, at: 28.5 degC, by: hydrometer, entered: 2026-11-25T06:00Z, expires: 31 d}
    level: {instrument: LT-1, signal: ullage, measures: ullage}
    free_water: none
    shell: {metal: carbon steel, table_temperature: 20 degC, insulated: yes}
    liquid_head: {courses: [{height: 2.4 m, thickness: 12 mm}, {height: 11.6 m, thickness: 8 mm}]}
    limits: {minimum: 0.9 m, maximum_working: 13 m}
  PO-2:
    product: palm
    capacity_table: po.csv
    reference_height: 12.9 m
    level: {instrument: LT-2, signal: ullage, measures: ullage, datum: datum plate}
    free_water: {kind: dip, value: 22 mm, entered: 2026-11-27T06:00Z, expires: 7 d}
    heel_holds: product
  SP-3:
    product: lpg
    shape: {kind: sphere, diameter: 14 m}
    reference_height: 14 m
    level: {instrument: LT-3, signal: ullage, measures: ullage}
    free_water: none
"""
TABLE = """# name: PO-2
# level: m
# volume: m3
# datum: datum plate
# date: 2026-03-02
# reference temperature: not stated
# liquid head: not included
# roof: not included
# heel: 2.1 m3, included
level,volume
0,2.1
12,2402.1
"""
AT = ("--at", "2026-11-28T06:00Z")
STEEL = 1.116e-5
"""1/degC, carbon steel, API MPMS 12.1.1 (from memory)."""


def _sheet(capsys: pytest.CaptureFixture[str], folder: Path, *words: str) -> tuple[dict[str, Any], dict[str, str]]:
    """Value and clause of every line of the sheet."""
    lines = _said(capsys, folder, *words, "--json").document["sheet"]
    return {line["name"]: line["value"] for line in lines}, {line["name"]: line["clause"] for line in lines}


def _said(capsys: pytest.CaptureFixture[str], folder: Path, *words: str) -> Said:
    (folder / "site.yaml").write_text(SITE, "utf-8")
    (folder / "po.csv").write_text(TABLE, "utf-8")
    said = typed(capsys, "dip", str(folder / "site.yaml"), *words, *AT)
    assert said.code == 0, said.err
    return said


def test_a_density_read_in_the_yard_can_be_followed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """It said `given at reference temperature` of a density that was read at 28.5 degC. The glass of a hydrometer made
    for 15 degC: 1 - 0.000023 dt - 0.00000002 dt^2, API 2540 (1980)."""
    dt = 28.5 - 15.0
    words = ("UP-1", "--level", "11.243 m", "--temperature", "30.7 degC")
    glass = 838.9 * (1.0 - 0.000023 * dt - 0.00000002 * dt * dt)
    expected = (
        f"838.90 kg/m3 read at 28.5 degC by a glass hydrometer, {glass:.2f} kg/m3 without the expansion of its glass "
        "(API 2540), brought to reference temperature by API MPMS 11.1 (2004), refined products, to 15 degC"
    )
    values, clauses = _sheet(capsys, tmp_path, *words)
    assert clauses["reference_density"] == expected
    typed_now = (*words, "--density", "838.9 kg/m3", "--density-at", "28.5 degC", "--hydrometer")
    again, clauses = _sheet(capsys, tmp_path, *typed_now)
    assert (again["reference_density"], clauses["reference_density"]) == (values["reference_density"], expected)
    _, clauses = _sheet(capsys, tmp_path, *words, "--density", "838.9 kg/m3", "--density-at", "28.5 degC")
    assert clauses["reference_density"].startswith("838.90 kg/m3 at 28.5 degC, brought to reference temperature by API")
    _, clauses = _sheet(capsys, tmp_path, *words, "--density", "838.9 kg/m3")
    assert clauses["reference_density"] == "entered at reference temperature"


def test_room_and_pumpable_follow_what_they_print(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """They printed V(maximum working) - TOV, which here is 0.9 m3 less than the figure beside it: the shell and the
    head are counted at both levels. The head by API MPMS 2.2A: pi D^3 rho g / (4 E) times the sum over the courses of
    ((L - z0)^2 - (L - z1)^2) / (2 t)."""
    values, clauses = _sheet(capsys, tmp_path, "UP-1", "--level", "11.243 m", "--temperature", "30.7 degC")
    assert clauses["room"] == "(V(maximum working) - TOV + dVh(maximum working) - dVh) CTSh, not below 0"
    assert clauses["pumpable"] == "GOV - max(0, V(minimum) + dVh(minimum) - FW) CTSh, not below 0"
    stretch = math.pi * 24.0**3 * values["observed_density"] * 9.7803 / (4.0 * 2.0e11)
    warmer = 30.7 - 20.0

    def gov(level: float) -> float:
        low = min(level, 2.4)
        courses = (level**2 - (level - low) ** 2) / (2 * 0.012) + max(0.0, level - 2.4) ** 2 / (2 * 0.008)
        return float(math.pi * 144.0 * level + stretch * courses) * (1.0 + 2.0 * STEEL * warmer + (STEEL * warmer) ** 2)

    assert values["gov"] == pytest.approx(gov(11.243), rel=1e-12)
    assert values["room"] == pytest.approx(gov(13.0) - gov(11.243), rel=1e-9)
    assert values["pumpable"] == pytest.approx(gov(11.243) - gov(0.9), rel=1e-9)
    assert values["room"] - math.pi * 144.0 * (13.0 - 11.243) > 0.5


def test_free_water_says_what_it_takes_from_the_table(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The table holds 6.5 m3 at 22 mm, of which the heel of 2.1 m3 is product: 200 m3/m times 22 mm is 4.4 m3. The dip
    of the site file is in force; `no water dip in force` was said of it."""
    values, clauses = _sheet(capsys, tmp_path, "PO-2", "--level", "7.6 m", "--temperature", "51 degC")
    assert values["free_water"] == pytest.approx(200.0 * 0.022, rel=1e-12)
    assert clauses["free_water"] == "capacity table at LW, less the heel of 2.100 m3, which holds product"
    found = _said(capsys, tmp_path, "PO-2", "--level", "7.6 m", "--temperature", "51 degC").out
    assert "not given" not in found
    assert [line.split()[-2:] for line in found.splitlines() if line.startswith("Free-water level")] == [
        ["site", "file"]
    ]
    values, _ = _sheet(capsys, tmp_path, "PO-2", "--level", "7.6 m", "--temperature", "51 degC", "--water", "12 mm")
    assert values["free_water"] == pytest.approx(200.0 * 0.012, rel=1e-12)
    values, _ = _sheet(capsys, tmp_path, "PO-2", "--level", "7.6 m", "--temperature", "51 degC", "--water", "none")
    assert values["free_water"] == 0.0


def test_a_sphere_under_its_own_pressure_is_no_atmospheric_tank(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, clauses = _sheet(capsys, tmp_path, "SP-3", "--level", "8.25 m", "--temperature", "20 degC")
    assert clauses["cpl"] == "1 at the liquid's own vapour pressure, for which CTL holds"
    _, clauses = _sheet(capsys, tmp_path, "UP-1", "--level", "8.25 m", "--temperature", "20 degC")
    assert clauses["cpl"] == "atmospheric tank: 1"
