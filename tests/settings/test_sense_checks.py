"""Slips that are possible values in themselves: each is refused or warned of, and the file without them is neither."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.errors import SettingsError
from gateway.resources import config_path
from gateway.settings import load_site

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
BY_HAND = "entered: 2026-11-25T06:00Z, expires: 24 h"
TEMPLATE = config_path("one_tank.yaml").read_text(encoding="utf-8")


def written(folder: Path, old: str, new: str) -> Path:
    """The one-tank template with every `old` replaced; `tank` stands for a further key of the tank."""
    old = "free_water: none" if old == "tank" else old
    new = f"{new}\n    {old}" if old == "free_water: none" and "free_water" not in new else new
    assert old in TEMPLATE
    path = folder / "site.yaml"
    path.write_text(TEMPLATE.replace(old, new), encoding="utf-8")
    return path


def test_the_template_itself_makes_sense() -> None:
    assert load_site(config_path("one_tank.yaml"), now=NOW).warnings == ()


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("period: 2 s", "period: 1 ms", "instruments.LT-1.period", "1 ms is no period for polling"),
        ("period: 2 s", "period: 2 d", "instruments.LT-1.period", "2 d is no period for polling"),
        ("timeout: 1 s", "timeout: 1 h", "instruments.LT-1.timeout", "1 h is no time to wait"),
        ("502\n", "502\n    connect_timeout: 3 d\n", "lines.field.connect_timeout", "3 d is too long to wait"),
        ("502\n", "502\n    backoff_first: 60 s\n", "lines.field.backoff_first", "60 s is longer than backoff_longest"),
        ("diameter: 18.000 m", "diameter: 18000 m", "tanks.TK-1.shape", "which nobody has built"),
        ("height: 15.240 m", "height: 152.40 m", "tanks.TK-1.reference_height", "152.40 m is higher than any tank"),
        ("offset: 0 mm", "offset: -30 m", "tanks.TK-1.level.offset", "-30 m is more than the whole reference height"),
        ("offset: 0 mm", "resolution: 0 mm", "tanks.TK-1.level.resolution", "0 mm is no step of a level gauge"),
        ("offset: 0 mm", "resolution: 10 m", "tanks.TK-1.level.resolution", "10 m is no step of a level gauge"),
        ("0.30 m #", "30 m #", "tanks.TK-1.temperature.immersion_margin", "30 m is more than the tank is high"),
        (
            "immersion_margin:",
            "last_good_limit: 30 d\n      immersion_margin:",
            "tanks.TK-1.temperature.last_good_limit",
            "30 d is too long for a stand-in",
        ),
        (
            "input_registers, address: 1,",
            "input_registers, address: 0,",
            "elements[2].signal",
            "the same register as t1",
        ),
        ("tank", "period: 10 h", "tanks.TK-1.period", "10 h would hide for so long"),
        (
            "tank",
            f"sediment_water: {{value: 300 %, {BY_HAND}}}",
            "tanks.TK-1.sediment_water.value",
            "300 % is no share; give 0 % to 100 %",
        ),
        (
            "tank",
            f"sediment_water: {{value: -1 %, {BY_HAND}}}",
            "tanks.TK-1.sediment_water.value",
            "-1 % is no share",
        ),
        (
            "tank",
            "shell: {expansion: 11.2 /degC, table_temperature: 15 degC}",
            "tanks.TK-1.shell.expansion",
            "11.2 /degC is no linear expansion of a shell",
        ),
        (
            "tank",
            "shell: {expansion: 0.0000112 /degC, table_temperature: 500 degC}",
            "tanks.TK-1.shell.table_temperature",
            "500 degC is no temperature of a capacity table",
        ),
        (
            "tank",
            f"free_water: {{kind: dip, value: 35 m, {BY_HAND}}}",
            "tanks.TK-1.free_water.value",
            "35 m is no level in this tank; give 0 m to 15.240 m",
        ),
        (
            "tank",
            f"manual: {{level: {{value: -1 m, {BY_HAND}}}}}",
            "tanks.TK-1.manual.level.value",
            "-1 m is no level in this tank",
        ),
        (
            "tank",
            f"manual: {{temperature: {{value: 1500 degC, {BY_HAND}}}}}",
            "tanks.TK-1.manual.temperature.value",
            "1500 degC is no temperature of a liquid",
        ),
        (
            "tank",
            "roof: {mass: 45000 t, critical_low: 1 m, critical_high: 1.8 m}",
            "tanks.TK-1.roof.mass",
            "45000 t is more than the liquid under it could carry",
        ),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, old: str, new: str, key: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_site(written(tmp_path, old, new), now=NOW)
    assert any(f"{key}: " in line and words in line for line in caught.value.mistakes), caught.value.mistakes


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("period: 2 s", "period: 5 min", "instruments.LT-1.period", "counts as fresh for three periods"),
        ("timeout: 1 s", "timeout: 5 s", "instruments.LT-1.timeout", "longer than the period, 2 s"),
        ("registers, address: 0,", "registers, address: 40001,", "instruments.LT-1.map", "the address is 0"),
        ("height: 15.240 m", "height: 19.240 m", "tanks.TK-1.reference_height", "far above the top"),
        ("offset: 0 mm", "offset: 5 m", "tanks.TK-1.level.offset", "5 m is more than a correction"),
        ("measures: ullage", "measures: innage", "tanks.TK-1.level.measures", "is set for a signal called ullage"),
        ("400 m3/h", "400 m3/s", "tanks.TK-1.maximum_flow_in", "would move the whole tank in 9 s"),
        (
            "tank",
            f"density: {{value: 835 kg/m3, at: tank, {BY_HAND}}}",
            "tanks.TK-1.density.at",
            "holds no longer than the temperature stays",
        ),
        (
            "tank",
            f"sediment_water: {{value: 30 %, {BY_HAND}}}",
            "tanks.TK-1.sediment_water.value",
            "30 % is a great deal",
        ),
    ],
)
def test_what_is_hard_to_believe_is_warned_of(tmp_path: Path, old: str, new: str, key: str, words: str) -> None:
    warnings = load_site(written(tmp_path, old, new), now=NOW).warnings
    assert any(f"{key}: " in line and words in line for line in warnings), warnings


def test_a_tank_polled_seldom_still_speaks_every_minute(tmp_path: Path) -> None:
    (tank,) = load_site(written(tmp_path, "period: 2 s", "period: 5 min"), now=NOW).tanks
    assert tank.period_s == 60.0


def test_a_map_without_ranges_still_refuses_what_no_thermometer_can_mean() -> None:
    lines = load_site(config_path("one_tank.yaml"), now=NOW).lines
    ranges = {each.name: (each.minimum, each.maximum) for plan in lines[0].instruments for each in plan.map.signals}
    assert ranges["t1"] == (-200.0, 600.0), "14.8 degC with its words swapped is -1.1e8 degC"
    assert ranges["ullage"] == (-1000.0, 1000.0), "no length at a tank is above 1 km; its own tank judges the rest"


def test_without_greatest_flows_nobody_can_tell_a_jump_from_pumping(tmp_path: Path) -> None:
    path = written(tmp_path, "    maximum_flow_out: 300 m3/h\n", "")
    (warning,) = load_site(path, now=NOW).warnings
    assert warning.endswith(
        "tanks.TK-1: has no maximum_flow_out, so a false jump of the level cannot be told from pumping"
    )


TABLE = """# name: T-1
# level: m
# volume: m3
# datum: datum plate
# date: 2024-05-14
# reference temperature: {reference}
# liquid head: not stated
# roof: not included
# heel: none
level,volume
0.000,0.0
15.000,3817.0
"""


@pytest.mark.parametrize(
    ("reference", "kind", "shell", "warned"),
    [
        ("15 degC", "", "", True),
        ("15 degC", ", kind: upright_cylinder", "", True),
        ("60 degF", ", kind: rectangular", "", True),
        ("15 degC", "", "shell: none", False),
        ("15 degC", "", "shell: {metal: carbon steel, insulated: yes}", False),
        ("not stated", "", "", False),
        ("15 degC", ", kind: sphere", "", False),
        ("15 degC", ", kind: lying_cylinder", "", False),
    ],
)
def test_a_table_of_a_stated_temperature_without_a_shell_is_warned_of(
    tmp_path: Path, reference: str, kind: str, shell: str, warned: bool
) -> None:
    """A shell 30 degC warmer than its table: (1 + 1.116e-5 x 30)^2 - 1 = 0.067 % (API MPMS 12.1.1)."""
    (tmp_path / "t.csv").write_text(TABLE.format(reference=reference), encoding="utf-8")
    old = next(line for line in TEMPLATE.splitlines() if line.lstrip().startswith("shape:"))
    block = TEMPLATE[TEMPLATE.index(old) : TEMPLATE.index("    reference_height:")]
    keys = f"    capacity_table: {{file: t.csv{kind}}}\n" + (f"    {shell}\n" if shell else "")
    path = tmp_path / "site.yaml"
    path.write_text(TEMPLATE.replace(block, keys), encoding="utf-8")
    settings = load_site(path, now=NOW)
    said = [line.partition("tanks.TK-1.shell: ")[2] for line in settings.warnings if "tanks.TK-1.shell" in line]
    if warned:
        (text,) = said
        assert text.endswith(
            "and nothing is corrected for a shell that is warmer or colder, 0.067 % for 30 degC of carbon steel "
            "(API MPMS 12.1.1); give shell, or shell: none to leave it out"
        )
    else:
        assert said == []
    assert (settings.tanks[0].plan.shell is not None) is shell.endswith("}")
