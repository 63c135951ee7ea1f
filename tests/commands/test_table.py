"""`table make`, `check`, `convert` and `preview` from outside: what they write, find and say."""

import math
import re
from pathlib import Path
from typing import Annotated, Any
from xml.etree import ElementTree

import pytest
from fluids.geometry import TANK
from pydantic import Field, TypeAdapter

from gateway.command_line import main
from gateway.resources import config_path
from gateway.settings.capacity.header import OPTIONAL
from gateway.settings.capacity.table_file import read_capacity_csv
from gateway.settings.reading.yaml_tree import parse_yaml, plain
from gateway.settings.tanks.shape_models import TankShape, capacity_of
from tests.commands.typed import Said, typed

_UPRIGHT = ("--kind", "upright_cylinder", "--diameter", "18.000 m", "--height", "14.600 m")
_DATED = ("--date", "2026-03-02", "--name", "TK-1 from drawings")


def _make(capsys: pytest.CaptureFixture[str], out: Path, *words: str) -> Said:
    said = typed(capsys, "table", "make", *words, *_DATED, "--out", str(out))
    assert said.code == 0, said.err
    return said


@pytest.fixture
def upright(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Path:
    path = tmp_path / "upright.csv"
    _make(capsys, path, *_UPRIGHT, "--step", "100 mm", "--temperature", "15 degC")
    return path


def test_a_made_table_says_what_it_rests_on(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    said = _make(capsys, path, *_UPRIGHT, "--step", "1 m", "--fine", "0.8 m..1.2 m", "0.1 m", "--datum", "datum plate")
    assert said.out.splitlines()[:3] == [
        f"wrote {path}",
        "TK-1 from drawings, of 2026-03-02: 20 rows, 0.000 m to 14.600 m, 0.000 m3 to 3715.247 m3",
        "calculated from dimensions: upright cylinder, pi D^2/4 h; liquid head not included, no floating roof deducted",
    ]
    assert "Tank calibration (ISO 7507 / API MPMS 2)" in said.out
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[:12] == [
        "# name: TK-1 from drawings",
        "# level: m",
        "# volume: m3",
        "# datum: datum plate",
        "# date: 2026-03-02",
        "# reference temperature: not stated",
        "# liquid head: not included",
        "# roof: not included",
        "# heel: none",
        "# decimal mark: dot",
        "# notes: calculated from dimensions: upright cylinder, pi D^2/4 h",
        "level,volume",
    ]
    levels = [float(line.split(",")[0]) for line in lines[12:]]
    assert levels[:7] == [0.0, 0.8, 0.9, 1.0, 1.1, 1.2, 2.0]


def _kwargs(**kwargs: Any) -> dict[str, Any]:
    return kwargs


@pytest.mark.outside("fluids.geometry.TANK, C. Bell: volume of partly filled vessels")
@pytest.mark.parametrize(
    ("words", "tank"),
    [
        (_UPRIGHT, _kwargs(D=18.0, L=14.6, horizontal=False)),
        (
            (
                *("--kind", "upright_cylinder", "--diameter", "6 m", "--height", "8 m"),
                *("--bottom", "cone", "--bottom-depth", "1.2 m", "--top", "ellipsoidal"),
            ),
            _kwargs(D=6.0, L=8.0, horizontal=False, sideA="conical", sideA_a=1.2, sideB="ellipsoidal", sideB_a=1.5),
        ),
        (
            ("--kind", "lying_cylinder", "--diameter", "3 m", "--tangent-length", "18 m", "--head", "ellipsoidal"),
            _kwargs(
                D=3.0, L=18.0, horizontal=True, sideA="ellipsoidal", sideA_a=0.75, sideB="ellipsoidal", sideB_a=0.75
            ),
        ),
        (
            (
                *("--kind", "lying_cylinder", "--diameter", "2.5 m", "--tangent-length", "7 m"),
                *("--head", "torispherical", "--crown-ratio", "1", "--knuckle-ratio", "0.1"),
            ),
            _kwargs(
                D=2.5,
                L=7.0,
                horizontal=True,
                sideA="torispherical",
                sideB="torispherical",
                sideA_f=1.0,
                sideA_k=0.1,
                sideB_f=1.0,
                sideB_k=0.1,
            ),
        ),
    ],
    ids=["upright", "coned", "bullet", "torispherical"],
)
def test_made_tables_agree_with_fluids(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], tank: dict[str, Any]
) -> None:
    path = tmp_path / "t.csv"
    _make(capsys, path, *words, "--step", "0.25 m")
    table = read_capacity_csv(path)
    reference = TANK(**tank)
    assert table.top_m == pytest.approx(reference.h_max, rel=1e-12)
    assert len(table.levels_m) > 10
    for level, volume in zip(table.levels_m, table.volumes_m3, strict=True):
        expected = reference.V_from_h(min(level, reference.h_max))
        assert volume == pytest.approx(expected, rel=1e-9, abs=1e-9 * reference.V_total), level


@pytest.mark.parametrize(
    ("words", "full_m3", "heel_m3"),
    [
        (("--kind", "sphere", "--diameter", "20 m"), math.pi * 20.0**3 / 6.0, 0.0),
        (("--kind", "rectangular", "--length", "6 m", "--width", "4 m", "--height", "3 m"), 72.0, 0.0),
        ((*_UPRIGHT, "--heel", "4.2 m3"), math.pi * 81.0 * 14.6 + 4.2, 4.2),
        ((*_UPRIGHT, "--datum-height", "62 mm"), math.pi * 81.0 * 14.6, math.pi * 81.0 * 0.062),
        ((*_UPRIGHT, "--deadwood", "2.4 m3", "0.5 m", "6 m"), math.pi * 81.0 * 14.6 - 2.4, 0.0),
        (
            (
                *("--kind", "lying_cylinder", "--diameter", "3 m", "--tangent-length", "10 m", "--head", "flat"),
                *("--slope", "1 %", "--gauge", "5 m"),
            ),
            None,
            None,
        ),
    ],
)
def test_every_kind_of_shape(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    words: tuple[str, ...],
    full_m3: float | None,
    heel_m3: float | None,
) -> None:
    path = tmp_path / "t.csv"
    _make(capsys, path, *words, "--step", "0.5 m")
    table = read_capacity_csv(path)
    if full_m3 is None:
        # Gauged at its middle, a tilted cylinder is half full at half its level, whatever its slope.
        assert table.volume(table.top_m / 2) == pytest.approx(math.pi * 2.25 * 10.0 / 2, rel=1e-3)
    else:
        assert table.volumes_m3[-1] == pytest.approx(full_m3, rel=1e-12)
        assert table.heel_m3 == pytest.approx(heel_m3, rel=1e-12)


@pytest.mark.parametrize(
    ("length", "volume", "more"),
    [
        ("mm", "L", ()),
        ("ft-in", "bbl", ()),
        ("ft-in", "US gal", ("--decimal-comma",)),
        ("in", "ft3", ("--decimal-comma",)),
    ],
)
def test_made_checked_converted_and_read_back(
    capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path, length: str, volume: str, more: tuple[str, ...]
) -> None:
    out = tmp_path / "converted.csv"
    assert typed(capsys, "table", "check", str(upright)).code == 0
    said = typed(
        capsys, "table", "convert", str(upright), "--length", length, "--volume", volume, *more, "--out", str(out)
    )
    assert (said.code, said.err) == (0, "")
    assert f"# level: {length}\n# volume: {volume}\n" in out.read_text(encoding="utf-8")
    before, after = read_capacity_csv(upright), read_capacity_csv(out)
    assert after.levels_m == pytest.approx(before.levels_m, rel=1e-9, abs=1e-12)
    assert after.volumes_m3 == pytest.approx(before.volumes_m3, rel=1e-9)
    for name in ("name", "datum", "date", "temperature_c", "head_included", "roof_included", "heel_m3"):
        assert getattr(after, name) == getattr(before, name), name
    assert "converted from upright.csv" in after.notes
    assert typed(capsys, "table", "check", str(out), *_UPRIGHT).out.count("result: well") == 1


def test_feet_and_inches_are_written_as_people_read_them(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made, out = tmp_path / "made.csv", tmp_path / "out.csv"
    _make(capsys, made, "--kind", "upright_cylinder", "--diameter", "60 ft", "--height", "2 ft", "--step", "5/16 in")
    typed(capsys, "table", "convert", str(made), "--length", "ft-in", "--volume", "bbl", "--out", str(out))
    rows = out.read_text(encoding="utf-8").splitlines()[12:]
    assert [row.split(",")[0] for row in rows[:4]] == ["0'0\"", "0'0-5/16\"", "0'0-5/8\"", "0'0-15/16\""]
    # 60 ft across: pi 30^2 ft3 a foot; 1 ft3 = 1728/9702 bbl of 42 US gallons of 231 cubic inches.
    assert float(rows[-1].split(",")[1]) == pytest.approx(math.pi * 900.0 * 2.0 * 1728.0 / 9702.0, rel=1e-12)


def test_new_rows_are_made_only_when_asked_for(
    capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out.csv"
    said = typed(capsys, "table", "convert", str(upright), "--length", "ft-in", "--step", "1/2 in", "--out", str(out))
    assert "the new rows differ nowhere" in said.out, "a straight shell is linear between any rows"
    table = read_capacity_csv(out)
    assert table.levels_m[1] == pytest.approx(0.0127, rel=1e-12)
    assert table.volumes_m3[-1] == pytest.approx(math.pi * 81.0 * 14.6, rel=1e-12)


def _edited(path: Path, level: str, volume: str) -> Path:
    rows = [
        f"{level},{volume}" if line.startswith(f"{level},") else line
        for line in path.read_text(encoding="utf-8").splitlines()
    ]
    edited = path.with_name("edited.csv")
    edited.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return edited


def test_a_planted_misprint_is_found_said_and_drawn(
    capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path
) -> None:
    # 1272.345 m3 at 5.000 m, two digits exchanged.
    path, plot = _edited(upright, "5.0", "1292.345"), tmp_path / "plot.svg"
    said = typed(capsys, "table", "check", str(path), "--plot", str(plot), *_UPRIGHT)
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[1] == (
        "warning: row 51, 5.0000 m: 1292.345 m3 is 20 m3 more than the rows around let one expect: a digit may be "
        "wrong, 1272.345 m3"
    )
    assert lines[2] == (
        "warning: 5.0000 m: 1292.35 m3, +20 m3 (+1.6 %) from the dimensions (1272.35 m3), more than 0.5 %"
    )
    assert "result: no mistakes; a competent person must judge the warnings" in lines
    svg = ElementTree.fromstring(plot.read_text(encoding="utf-8"))
    space = "{http://www.w3.org/2000/svg}"
    assert len(svg.findall(f"{space}polyline")) == 4, "table and dimensions, volume and first differences"
    assert len(svg.findall(f"{space}circle")) == 1
    words = [text.text for text in svg.findall(f"{space}text")]
    assert "row 51: wrong digits" in words
    assert {"Volume, m³", "First difference, m³ per m", "Level, m"} <= set(words)
    document = typed(capsys, "table", "check", str(path), "--json").document
    assert [(slip["row"], slip["kind"]) for slip in document["slips"]] == [(51, "wrong digits")]
    assert (document["well"], len(document["warnings"]), document["mistakes"]) == (True, 1, [])


def test_the_plot_stays_within_its_frame(capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path) -> None:
    plot = tmp_path / "plot.svg"
    typed(capsys, "table", "check", str(upright), "--plot", str(plot))
    svg = ElementTree.fromstring(plot.read_text(encoding="utf-8"))
    for line in svg.iter("{http://www.w3.org/2000/svg}polyline"):
        for point in (line.get("points") or "").split():
            x, y = (float(part) for part in point.split(","))
            assert 90.0 <= x <= 870.0
            assert 70.0 <= y <= 340.0 or 410.0 <= y <= 660.0


def test_what_cannot_be_refuses_the_table(capsys: pytest.CaptureFixture[str], upright: Path) -> None:
    path = _edited(upright, "5.0", "1172.345")
    said = typed(capsys, "table", "check", str(path))
    assert said.code == 2
    assert said.out == (
        f"{path}:63: volume 1172.345 m3 falls below 1246.898 m3 in line 62; volumes must not fall\nrefused: 1 mistake\n"
    )
    document = typed(capsys, "table", "check", str(path), "--json")
    assert document.code == 2
    assert document.document["mistakes"] == [said.out.splitlines()[0]]


def test_a_volume_that_does_not_rise_is_odd(capsys: pytest.CaptureFixture[str], upright: Path) -> None:
    before = next(line for line in upright.read_text("utf-8").splitlines() if line.startswith("4.9,")).split(",")[1]
    said = typed(capsys, "table", "check", str(_edited(upright, "5.0", before)))
    assert "warning: row 51, 5.0000 m: 1246.898 m3 is 25.45 m3 less than the rows around let one expect" in said.out


def test_against_the_tank_of_a_site_file(capsys: pytest.CaptureFixture[str], tmp_path: Path, upright: Path) -> None:
    said = typed(capsys, "table", "check", str(upright), "--site", "demo", "--tank", "TK-101")
    assert said.code == 0
    assert (
        "147 rows compared with the dimensions (upright cylinder, pi D^2/4 h); the largest difference is +0 m3 at "
        in said.out
    )
    short = tmp_path / "short.csv"
    _make(capsys, short, "--kind", "upright_cylinder", "--diameter", "18.05 m", "--height", "13.7 m", "--step", "1 m")
    said = typed(capsys, "table", "check", str(short), "--site", "demo", "--tank", "TK-101")
    assert said.code == 2
    lines = said.out.splitlines()
    assert "refused: the table ends at 13.700 m, below the critical high level, 13.950 m" in lines
    # (18.05 / 18)^2 = 1.00556.
    assert "warning: the surfaces are +0.56 % off those of the dimensions, all alike: another diameter" in lines
    assert (
        "warning: 14 rows from 1.0000 m to 13.7000 m, at 13.7000 m: 3505.62 m3, +19.39 m3 (+0.56 %) from the "
        "dimensions (3486.23 m3), more than 0.5 %"
    ) in lines
    assert "result: refused" in lines


def _site(folder: Path, table: Path, more: str = "") -> Path:
    """The template of one tank, going by `table`; `more` are further keys beside its file."""
    text = config_path("one_tank.yaml").read_text(encoding="utf-8")
    start, end = text.index("    shape:"), text.index("    reference_height:")
    path = folder / "site.yaml"
    # Both count from where the table does, as `table make` says it.
    rest = re.sub(r"(?m)^( +datum: )[^#\n]*", r"\1lowest inside point ", text[end:])
    path.write_text(f"{text[:start]}    capacity_table: {{file: {table}{more}}}\n{rest}", encoding="utf-8")
    return path


_BESIDE = ", compare_with: {kind: upright_cylinder, diameter: 18.05 m, height: 14.6 m}"


def test_a_table_is_compared_with_the_dimensions_beside_it(
    capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path
) -> None:
    site = str(_site(tmp_path, upright, _BESIDE))
    # (18 / 18.05)^2 = 0.99447: 20.67 m3 of 3735.92 m3 at the top, and more than 5 mm of level from 0.91 m on.
    off = "137 rows from 1.0000 m to 14.6000 m, at 14.6000 m: 3715.25 m3, -20.67 m3 (-0.55 %) from the dimensions"
    said = typed(capsys, "check", site)
    assert f"tanks.TK-1.capacity_table.compare_with: 137 rows are off these dimensions: {off}" in said.out
    said = typed(capsys, "table", "check", str(upright), "--site", site, "--tank", "TK-1")
    assert said.code == 0
    assert "147 rows compared with the dimensions (upright cylinder, pi D^2/4 h)" in said.out
    assert "warning: the surfaces are -0.55 % off those of the dimensions, all alike: another diameter\n" in said.out
    said = typed(capsys, "table", "preview", str(upright), str(upright), "--site", site, "--tank", "TK-1")
    assert "warning: the surfaces are -0.55 % off those of the dimensions" in said.out
    said = typed(capsys, "table", "check", str(upright), "--site", str(_site(tmp_path, upright)), "--tank", "TK-1")
    assert (
        "TK-1 goes by a capacity table and has no `compare_with`, so there are no dimensions to compare with\n"
        in said.out
    )
    assert "result: well" in said.out


@pytest.mark.parametrize(
    ("typed_shape", "in_a_site_file"),
    [
        (
            (
                *("--kind", "upright_cylinder", "--diameter", "6 m", "--height", "8 m", "--bottom", "cone_down"),
                *("--bottom-depth", "900 mm", "--deadwood", "1.5 m3", "0.5 m", "2 m"),
            ),
            "{kind: upright_cylinder, diameter: 6 m, height: 8 m, bottom: {kind: cone_down, depth: 900 mm}, deadwood: "
            "[{volume: 1.5 m3, lowest: 0.5 m, highest: 2 m}]}",
        ),
        (
            (
                *(
                    "--kind",
                    "standing_vessel",
                    "--diameter",
                    "2 m",
                    "--tangent-length",
                    "5 m",
                    "--bottom",
                    "torispherical",
                ),
                *("--top", "flat", "--knuckle-ratio", "0.1", "--datum-height", "100 mm", "--heel", "20 L"),
            ),
            "{kind: standing_vessel, diameter: 2 m, tangent_length: 5 m, bottom: {kind: torispherical, knuckle_ratio: "
            "0.1}, top: flat, datum: 100 mm, heel: 20 L}",
        ),
        (
            (
                *(
                    "--kind",
                    "lying_cylinder",
                    "--diameter",
                    "2.5 m",
                    "--tangent-length",
                    "9 m",
                    "--head",
                    "torispherical",
                ),
                *("--crown-ratio", "0.9", "--slope", "1.5 %", "--gauge", "2 m"),
            ),
            "{kind: lying_cylinder, diameter: 2.5 m, tangent_length: 9 m, head: torispherical, crown_ratio: 0.9, tilt: "
            "{slope: 1.5 %, gauge_from_low_end: 2 m}}",
        ),
    ],
)
def test_a_shape_that_is_typed_is_that_of_a_site_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, typed_shape: tuple[str, ...], in_a_site_file: str
) -> None:
    """Every kind, every end and every word of the one is known to the other: both go through the same models."""
    made = tmp_path / "made.csv"
    _make(capsys, made, *typed_shape, "--step", "100 mm")
    site = tmp_path / "site.yaml"
    document, _ = parse_yaml(f"shape: {in_a_site_file}\n", str(site))
    shape = TypeAdapter(Annotated[TankShape, Field(discriminator="kind")]).validate_python(plain(document)["shape"])
    capacity = capacity_of(shape)
    rows = [line.split(",") for line in made.read_text().splitlines() if re.match(r"-?[\d.]+,", line)]
    assert len(rows) > 20
    for level, volume in rows:
        assert capacity.volume(float(level)) == pytest.approx(float(volume), abs=1e-3)


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (("--bottom", "cone_down"), "upright vessel, bottom: depth of the cone end is 0 m"),
        (("--bottom", "ellipsoidal", "--bottom-depth", "two"), "--bottom-depth: "),
        (("--datum-height", "2"), "--datum-height: '2' has no unit"),
        (("--heel", "3 m"), "--heel: "),
        (("--deadwood", "1 m3", "1 m", "zwei"), "--deadwood: "),
    ],
)
def test_what_is_wrong_with_a_shape_names_its_option(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], error: str
) -> None:
    said = typed(capsys, "table", "make", *_UPRIGHT, *words, "--step", "1 m", "--out", str(tmp_path / "x.csv"))
    assert said.code == 2
    assert said.err.startswith(f"tank-gateway: {error}")


def test_a_size_that_nobody_builds_is_told_at_every_door(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    # 18 m across, every volume a thousand times too small: 18 m / 1000^0.5 = 0.569 m.
    table = tmp_path / "small.csv"
    _make(capsys, table, "--kind", "upright_cylinder", "--diameter", "569.2 mm", "--height", "14.6 m", "--step", "1 m")
    words = "its volumes give a tank of 0.569 m across and 14.6 m high; see to its units and marks of thousands"
    assert f"warning: {words}\n" in typed(capsys, "table", "check", str(table)).out
    said = typed(capsys, "table", "preview", str(table), str(table), "--site", "demo", "--tank", "TK-101")
    assert f"warning: {words}\n" in said.out
    said = typed(capsys, "check", str(_site(tmp_path, table)))
    assert f"tanks.TK-1.capacity_table: {words}" in said.out


def test_a_preview_shows_what_would_change(capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.csv"
    typed(
        capsys, "table", "make", "--kind", "upright_cylinder", "--diameter", "18.02 m", "--height", "14.5 m",
        *("--step", "100 mm", "--temperature", "20 degC", "--date", "2026-10-01", "--name", "TK-1, new strapping"),
        *("--out", str(new)),
    )  # fmt: skip
    said = typed(capsys, "table", "preview", str(upright), str(new), "--site", "demo", "--tank", "TK-101")
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0].startswith("old  TK-1 from drawings, of 2026-03-02: 147 rows")
    assert lines[1].startswith("new  TK-1, new strapping, of 2026-10-01: 146 rows")
    for text in (
        "  highest level: 14.6 m becomes 14.5 m",
        "  date: 2026-03-02 becomes 2026-10-01",
        "  reference temperature: 15 degC becomes 20 degC",
    ):
        assert text in lines
    # pi/4 (18.02^2 - 18^2) = 0.565801 m3 per m.
    assert "  14.5000  3689.801  3698.005     +8.204    +0.222" in lines
    assert "  maximum working   13.200  3358.991  3366.459     +7.469" in lines
    assert any(line.startswith("Caution: Tank calibration") for line in lines)
    document = typed(capsys, "table", "preview", str(new), "--site", "demo", "--tank", "TK-101", "--json").document
    assert document["old"] == {"clause": "upright cylinder, pi D^2/4 h", "date": None}
    assert document["new"]["date"] == "2026-10-01"
    assert document["changed"][0].startswith("upright cylinder, pi D^2/4 h becomes capacity table TK-1, new strapping")
    assert [each["limit"] for each in document["limits"]] == [
        "minimum",
        "maximum working",
        "high-high",
        "critical high",
    ]


def test_a_preview_of_a_table_that_the_site_would_refuse(
    capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path
) -> None:
    short = tmp_path / "short.csv"
    _make(capsys, short, "--kind", "upright_cylinder", "--diameter", "18 m", "--height", "13.4 m", "--step", "1 m")
    said = typed(capsys, "table", "preview", str(upright), str(short), "--site", "demo", "--tank", "TK-101")
    assert said.code == 2
    assert "  critical high     13.950  3549.843      none          -\n" in said.out
    assert "refused: the table ends at 13.400 m, below the critical high level, 13.950 m\n" in said.out


def test_a_change_of_units_changes_nothing(capsys: pytest.CaptureFixture[str], upright: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    typed(capsys, "table", "convert", str(upright), "--length", "ft-in", "--volume", "bbl", "--out", str(out))
    said = typed(capsys, "table", "preview", str(upright), str(out))
    assert "No attribute changes.\n" in said.out
    assert "The volumes are the same at every row of both.\n" in said.out


@pytest.mark.parametrize(
    ("words", "error"),
    [
        ((), "the following arguments are required: ACTION\n  hint: tank-gateway table --help\n"),
        (
            ("make", "--kind", "sphere", "--step", "1 mm", "--out", "x.csv"),
            "--kind sphere needs --diameter\n",
        ),
        (
            ("make", "--kind", "rectangular", "--step", "1 mm", "--out", "x.csv"),
            "--kind rectangular needs --length, --width and --height\n",
        ),
        (
            ("make", "--kind", "sphere", "--diameter", "3 m", "--width", "1 m", "--step", "1 mm", "--out", "x.csv"),
            "--width: a sphere has none\n  hint: it takes --diameter, --datum-height, --heel, --deadwood\n",
        ),
        (
            ("make", "--kind", "sphere", "--diameter", "3", "--step", "1 mm", "--out", "x.csv"),
            "--diameter: '3' has no unit; a length is wanted, for example 3 m\n",
        ),
        (
            ("make", "--kind", "sphere", "--diameter", "-3 m", "--step", "1 mm", "--out", "x.csv"),
            "sphere: diameter is -3 m; it must be greater than zero\n",
        ),
        (
            ("make", *_UPRIGHT, "--step", "0 mm", "--out", "x.csv"),
            "--step: '0 mm' is no step; give a length above zero\n",
        ),
        (
            ("make", *_UPRIGHT, "--step", "1 m", "--fine", "0.8 m", "1 mm", "--out", "x.csv"),
            '--fine: \'0.8 m\' is no zone\n  hint: write two levels, for example --fine "0.8 m..1.2 m" "1 mm"\n',
        ),
        (
            ("make", *_UPRIGHT, "--step", "1 m", "--fine", "1.2 m..0.8 m", "1 mm", "--out", "x.csv"),
            "--fine: '1.2 m..0.8 m' by '1 mm' is no zone\n"
            "  hint: the second level must be the higher, the step above 0\n",
        ),
        (
            ("make", *_UPRIGHT, "--step", "1 m", "--date", "2 March", "--out", "x.csv"),
            "--date: '2 March' is not a date\n  hint: write it as YYYY-MM-DD\n",
        ),
        (
            ("make", *_UPRIGHT, "--step", "1 m", "--volume-unit", "hogshead", "--out", "x.csv"),
            "there is no unit 'hogshead'; a volume is wanted, in m3, L, hL, kL, bbl, US gal, imp gal or ft3\n",
        ),
        (
            ("check", "gone.csv"),
            "there is no file 'gone.csv'\n  hint: give the path of a capacity table (CSV)\n",
        ),
        (
            ("check", "gone.csv", "--site", "demo"),
            "--site was given without --tank\n  hint: give both, or neither\n",
        ),
        (
            ("check", "gone.csv", "--site", "demo", "--tank", "TK-101", *_UPRIGHT),
            "--tank and --kind were both given\n  hint: compare with the tank of the site file or with dimensions\n",
        ),
        (
            ("check", "gone.csv", "--diameter", "3 m"),
            "--diameter was given without --kind\n"
            "  hint: --kind upright_cylinder, lying_cylinder, sphere, rectangular, standing_vessel\n",
        ),
        (
            ("preview", "gone.csv"),
            "there is nothing to compare with\n  hint: give OLD and NEW, or NEW with --site and --tank\n",
        ),
    ],
)
def test_wrong_use_is_one_line_that_says_what_would_be_right(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    error: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    said = typed(capsys, "table", *words)
    assert (said.code, said.out, said.err) == (2, "", f"tank-gateway: {error}")
    assert not (tmp_path / "x.csv").exists()


def test_no_table_is_replaced_in_place(capsys: pytest.CaptureFixture[str], upright: Path) -> None:
    before = upright.read_text(encoding="utf-8")
    for words in (("make", *_UPRIGHT, "--step", "1 m"), ("convert", str(upright), "--length", "mm")):
        said = typed(capsys, "table", *words, "--out", str(upright))
        assert (said.code, said.err) == (
            2,
            f"tank-gateway: --out: '{upright}' exists already\n"
            "  hint: choose a new name; no table is replaced in place\n",
        )
    assert upright.read_text(encoding="utf-8") == before


def test_the_help_of_check_shows_a_table_that_is_well(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """What must stand in a table stood nowhere that a user looks: the sample of the help is read as it is printed."""
    with pytest.raises(SystemExit):
        main(["table", "check", "--help"])
    shown = capsys.readouterr().out
    sample = [line[2:] for line in shown.splitlines() if line.startswith(("  # ", "  level,", "  0,", "  10,"))]
    assert len(sample) == 17
    needed, optional = [*sample[:9], *sample[9:12]], sample[12:]
    path = tmp_path / "sample.csv"
    path.write_text("\n".join(re.sub(r"  +\S.*", "", line) for line in needed), "utf-8")
    table = read_capacity_csv(path)
    assert (table.name, table.top_m, table.volumes_m3[1]) == ("TK-7, strapping of 2024", 0.01, 2.54)
    for line in optional:
        key, _, value = re.sub(r"  +\S.*", "", line.removeprefix("# ")).partition(": ")
        assert key in OPTIONAL
        assert value
    assert {line.removeprefix("# ").partition(":")[0] for line in optional} == set(OPTIONAL)


def test_the_zero_of_a_tilted_vessel_is_not_its_lowest_point(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """2.5 m across and 9 m long, rising 1.5 %, gauged 2 m from the low end: 30 mm of it lie below the bottom there, and
    hold 9.4 L (integrated over its length outside this project's code); the header called that the lowest point."""
    path = tmp_path / "tilted.csv"
    shape = ("--kind", "lying_cylinder", "--diameter", "2.5 m", "--tangent-length", "9 m", "--head", "torispherical")
    _make(capsys, path, *shape, "--slope", "1.5 %", "--gauge", "2.0 m", "--step", "50 mm")
    table = read_capacity_csv(path)
    assert table.datum == "lowest inside point below the gauge"
    assert table.heel_m3 == pytest.approx(0.0093577, abs=1e-6)
    assert table.volume(1.35) == pytest.approx(24.8611532, abs=1e-5)
