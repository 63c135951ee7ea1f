"""Mistakes in scenario files: one line each, with file, line, key, and what would be right."""

from pathlib import Path

import pytest

from simulators import ScenarioError, World, load_scenario, scenario_names

GOOD = """\
seed: 3
noise: {level: 0.3 mm}
lines:
  bus: {port: 0}
tanks:
  T1:
    shape: {kind: upright, diameter: 18 m, height: 14.6 m}
    reference_height: 15.24 m
    density: {value: 838 kg/m3, at: 15 degC, expansion: 0.000846 1/K}
    level: 9.412 m
    elements: 1 3.5 m
    temperatures: 14.1 14.3 degC
instruments:
  LT:
    line: bus
    unit: 1
    signals:
      innage: {tank: T1, quantity: innage, table: holding, address: 0, type: uint32, step: 0.1 mm}
      t: {tank: T1, quantity: temperatures, table: holding, address: 2, type: int16, step: 0.1 degC}
movements:
  - {tank: T1, at: 60 s, flow: 300 m3/h, temperature: 25 degC, until: 1 h}
faults:
  - {instrument: LT, fault: offset, options: {signal: innage, amount: 50 mm}, from: 10 s, until: 20 s}
"""


def mistake(tmp_path: Path, old: str, new: str) -> str:
    assert GOOD.count(old) == 1, "the mistake has to be made in one place"
    path = tmp_path / "site.yaml"
    path.write_text(GOOD.replace(old, new), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    return str(caught.value)


def test_the_good_file_is_good(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(GOOD, encoding="utf-8")
    scenario = load_scenario(path)
    assert scenario.name == "site"
    assert scenario.movements[0].flow == pytest.approx(300 / 3600)
    assert scenario.movements[0].until == 3600.0
    assert World(scenario).tanks["T1"].level_m == 9.412


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "level: 9.412 m",
            "level: 9.412",
            "site.yaml:10: tanks.T1.level: '9.412' is not a length with its unit (m, cm, mm, ft, in, 1/16in); "
            "write it like '9.412 m'",
        ),
        ("level: 9.412 m", "levle: 9.412 m", "site.yaml:6: tanks.T1.level: is missing; give it, for example 9.412 m\n"
            "site.yaml:10: tanks.T1.levle: unknown key; did you mean 'level'?"),
        ("level: 9.412 m", "level: 15 m", "site.yaml:10: tanks.T1.level: 15 m is not in the tank; give 0 to 14.6 m"),
        ("    level: 9.412 m\n", "", "site.yaml:6: tanks.T1.level: is missing; give it, for example 9.412 m"),
        (
            "temperatures: 14.1 14.3 degC",
            "temperatures: 14.1 degC",
            "site.yaml:12: tanks.T1.temperatures: '14.1 degC': 1 for 2 elements; give 2, one for each",
        ),
        (
            "elements: 1 3.5 m",
            "elements: 3.5 1 m",
            "site.yaml:11: tanks.T1.elements: '3.5 1 m': the heights do not rise; give them from the lowest to "
            "the highest, each once",
        ),
        ("level: 9.412 m", "level: 0.5 m", "site.yaml:6: tanks.T1.liquid_temperature: is missing, and no element is "
         "below the level; give it, for example 15 degC"),
        ("kind: upright, ", "", "site.yaml:7: tanks.T1.shape.kind: is missing; give 'upright' or 'lying'"),
        (
            "diameter: 18 m",
            "diameter: 0 m",
            "site.yaml:7: tanks.T1.shape.diameter: '0 m' is too small; give more than 0 m",
        ),
        ("line: bus", "line: buss", "site.yaml:15: instruments.LT.line: there is no line 'buss'; did you mean 'bus'?"),
        (
            "unit: 1\n",
            "unit: 300\n",
            "site.yaml:16: instruments.LT.unit: '300' is out of range; give 1 to 247",
        ),
        (
            "innage: {tank: T1, quantity: innage, table: holding, address: 0, type: uint32, step: 0.1 mm}",
            "innage: {tank: T2, quantity: innage, table: holding, address: 0, type: uint32, step: 0.1 mm}",
            "site.yaml:18: instruments.LT.signals.innage.tank: there is no tank 'T2'; give one of: T1",
        ),
        (
            "type: uint32, step: 0.1 mm",
            "type: uint32, step: 0.1 degC",
            "site.yaml:18: instruments.LT.signals.innage.step: '0.1 degC' is not a length with its unit "
            "(m, cm, mm, ft, in, 1/16in); write it like '9.412 m', above 0",
        ),
        (
            "type: uint32, step: 0.1 mm",
            "type: uint33, step: 0.1 mm",
            "site.yaml:18: instruments.LT.signals.innage.type: 'uint33' is not known here; did you mean 'uint32'?",
        ),
        (
            "address: 2",
            "address: 1",
            "site.yaml:19: instruments.LT.signals.t.address: holding 1 is innage's too; give a free address",
        ),
        (
            "flow: 300 m3/h",
            "flow: 300 m3",
            "site.yaml:21: movements[1].flow: '300 m3' is not a flow with its unit (m3/h, m3/s, L/min, L/s, bbl/h); "
            "write it like '300 m3/h'",
        ),
        (
            "until: 1 h",
            "until: 30 s",
            "site.yaml:21: movements[1].until: 30 s is not after 'at'; give more than 60 s",
        ),
        (
            "fault: offset",
            "fault: offsett",
            "site.yaml:23: faults[1].fault: there is no fault 'offsett'; did you mean 'offset'?",
        ),
        (
            "signal: innage, amount",
            "signal: level, amount",
            "site.yaml:23: faults[1].options.signal: there is no signal 'level'; give one of: innage, t1, t2",
        ),
        (
            "amount: 50 mm",
            "amount: 50",
            "site.yaml:23: faults[1].options.amount: '50' is not a length, temperature, pressure or flow; "
            "give for example 50 mm",
        ),
        ("seed: 3", "seed: three", "site.yaml:1: seed: 'three' is not a whole number; give it like 20"),
        ("seed: 3", "seed: 3\nseed: 4", "site.yaml:2: seed: stands twice; keep one of them"),
        ("seed: 3", "seed: [3", "site.yaml:2: not YAML: expected ',' or ']', but got ':'"),
        ("seed: 3", "include: 7.yaml", "cannot be read (No such file or directory); give the name of a YAML file"),
        ("seed: 3", "include: site.yaml", "site.yaml:1: include: site.yaml includes itself; leave it out"),
        ("seed: 3", "include: [{a: b}]", "site.yaml:1: include: gives no file names; give them like [ten_tanks.yaml]"),
    ],
)  # fmt: skip
def test_one_mistake_one_line(tmp_path: Path, old: str, new: str, line: str) -> None:
    told = mistake(tmp_path, old, new)
    assert told == line or (told.endswith(line) and "\n" not in told)
    assert told.startswith("site.yaml:")


def test_several_mistakes_are_told_together(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(GOOD.replace("9.412 m", "9.412").replace("300 m3/h", "fast"), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert [line.split(": ")[1] for line in caught.value.lines] == ["tanks.T1.level", "movements[1].flow"]


def test_mistake_in_an_included_file_names_that_file(tmp_path: Path) -> None:
    (tmp_path / "tanks.yaml").write_text(GOOD.replace("level: 9.412 m", "level: high"), encoding="utf-8")
    (tmp_path / "top.yaml").write_text("include: tanks.yaml\nseed: 9\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"^tanks.yaml:10: tanks.T1.level: 'high' is not a length"):
        load_scenario(tmp_path / "top.yaml")


def test_a_file_goes_before_what_it_includes(tmp_path: Path) -> None:
    (tmp_path / "tanks.yaml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "top.yaml").write_text(
        "include: tanks.yaml\nseed: 9\ntanks: {T1: {level: 8 m}}\nfaults: []\n", encoding="utf-8"
    )
    scenario = load_scenario(tmp_path / "top.yaml")
    assert (scenario.seed, scenario.tanks["T1"].level, scenario.faults) == (9, 8.0, ())
    assert scenario.tanks["T1"].reference_height == 15.24


def test_names_of_the_package_and_of_nothing() -> None:
    assert scenario_names() == ["demo", "every_key", "paint_works", "printed_state", "working_day"]
    with pytest.raises(ScenarioError, match=r"^nowhere: no such file or scenario; give a YAML file or one of: demo, "):
        load_scenario("nowhere")


def test_units_of_the_trade() -> None:
    from simulators.units import parse_quantities, parse_quantity

    # NIST SP 811, Appendix B.8: foot 0.3048 m, inch 0.0254 m, oil barrel 0.1589873 m3, psi 6894.757 Pa.
    assert parse_quantity("49 ft 6 in", "length") == pytest.approx(15.0876, abs=1e-12)
    assert parse_quantity("-1 ft 6 in", "length") == pytest.approx(-0.4572, abs=1e-12)
    assert parse_quantity("1 bbl", "volume") == pytest.approx(0.1589873, rel=1e-6)
    assert parse_quantity("1 psi", "pressure") == pytest.approx(6894.757, rel=1e-6)
    assert parse_quantity("212 degF", "temperature") == pytest.approx(100.0, abs=1e-12)
    assert parse_quantity("9 degF", "temperature difference") == pytest.approx(5.0)
    assert parse_quantities("1 3.5 6 m", "length") == (1.0, 3.5, 6.0)
