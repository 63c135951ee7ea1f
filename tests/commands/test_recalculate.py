"""`recalculate` on recorded messages of the demo site: the same again, corrected, and every way to ask wrongly."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import TankPlan
from gateway.commands.demonstration.site import load_demo
from gateway.commands.service.site_argument import load as load_site
from gateway.payload.writer import INVENTORIES_SCHEMA, inventory_payload
from gateway.records import Input, Quality, Reason, ReasonCode, TankInput
from tests.commands.typed import Said, typed
from tests.support.messages import valid_message
from tests.support.records import record_of

BEGIN = datetime(2026, 3, 1, 6, 0, 0, 123_000, tzinfo=UTC)


def _plan(tag: str) -> TankPlan:
    (found,) = (setup.plan for setup in load_demo().tanks if setup.plan.tank == tag)
    return found


def _good(value: float) -> Input:
    return Input(value, Quality.GOOD, None, 0.4, "X.s")


def _inputs(count: int) -> Iterator[TankInput]:
    """TK-101 as it is filled; its second element fails half way."""
    for number in range(count):
        failed = Input(None, Quality.BAD, Reason(ReasonCode.SENTINEL, "TT-101.t2: open"), 0.4, "TT-101.t2")
        second = failed if number >= count // 2 else _good(14.3)
        yield TankInput(
            tank="TK-101",
            instant=BEGIN + timedelta(minutes=number),
            level=_good(5.828 - 0.001 * number),
            water=_good(0.035),
            dip_water=Input(0.035, Quality.GOOD, None, 60.0, "dip", True),
            elements=(_good(14.1), second, _good(14.8 + 0.01 * number), _good(15.6), _good(19.2)),
            reference_density=Input(838.0, Quality.GOOD, None, 3600.0, "site file", True),
            simulated=True,
        )


def _payloads(count: int = 4, product: str | None = None) -> list[dict[str, Any]]:
    plan, memory = _plan("TK-101"), EMPTY_MEMORY
    found = []
    for sequence, given in enumerate(_inputs(count), start=1):
        inventory, memory = calculate(plan, given, memory)
        if product is not None:
            inventory = inventory._replace(product=product)
        found.append(inventory_payload(record_of("demo", "a" * 32, sequence, inventory)))
    return found


def _file(path: Path, documents: list[Any]) -> Path:
    path.write_bytes(b"".join(orjson.dumps(document) + b"\n" for document in documents))
    return path


@pytest.fixture
def records(tmp_path: Path) -> Path:
    return _file(tmp_path / "records.jsonl", _payloads())


def _recalculate(
    capsys: pytest.CaptureFixture[str], records: Path, out: Path, *words: str, tank: str = "TK-101"
) -> Said:
    return typed(capsys, "recalculate", "demo", tank, "--records", str(records), "--out", str(out), *words)


def _read(path: Path) -> list[dict[str, Any]]:
    """The records of a file, each held against the schema that it names."""
    return [valid_message(line) for line in path.read_bytes().splitlines()]


def test_without_a_correction_every_line_is_the_same_but_for_its_version(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path
) -> None:
    said = _recalculate(capsys, records, tmp_path / "new.jsonl", "--by", "A. Person")
    assert (said.code, said.err) == (0, "")
    before, after = _read(records), _read(tmp_path / "new.jsonl")
    assert len(after) == 4
    for old, new in zip(before, after, strict=True):
        version = new.pop("version")
        assert version.pop("made_at").endswith("Z")
        assert version == {
            "number": 1,
            "reason": "recalculated as recorded",
            "who": "A. Person",
            "changed": [],
            "plan": "upright cylinder, pi D^2/4 h; constant expansion coefficient 0.000846 /degC at 15 degC",
        }
        assert new.pop("schema") == "tank-gateway/inventory-version/1"
        assert old.pop("schema") == "tank-gateway/inventory/1"
        assert new == old
    assert "GSV  last 2,387 m³ before" not in said.out or "0 records changed" in said.out
    assert "M    last" in said.out
    assert "quality changed in 0" in said.out
    assert "not wholly rebuilt in 2: temperature elements that were Bad have no value in the record" in said.out


def test_a_corrected_density(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    out = tmp_path / "new.jsonl"
    words = ("--density", "840.5 kg/m3", "--reason", "sample was mistyped", "--by", "A. Person", "--json")
    document = _recalculate(capsys, records, out, *words).document
    assert document["version"]["changed"] == ["density at reference temperature: 840.5 kg/m3"]
    assert document["records"] == 4
    mass, gsv = document["figures"]["mass"], document["figures"]["gsv"]
    assert mass["records_changed"] == 4
    assert gsv == {**gsv, "records_changed": 0, "largest": None}, "a constant coefficient takes no density"
    assert mass["last_after"] == pytest.approx(mass["last_before"] * 840.5 / 838.0, rel=1e-14)
    assert mass["largest"]["change"] == pytest.approx(mass["largest"]["after"] - mass["largest"]["before"], rel=1e-9)
    for old, new in zip(_read(records), _read(out), strict=True):
        assert new["identity"] == old["identity"]
        assert new["figures"]["reference_density"]["manual"] is True
        assert new["figures"]["reference_density"]["reason"]["text"] == "corrected: sample was mistyped"
        assert new["figures"]["level"] == old["figures"]["level"]
        assert new["elements"] == old["elements"]
    assert any("new version" in caution for caution in document["cautions"])


def test_a_version_of_a_version_counts_on(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "first.jsonl", tmp_path / "second.jsonl"
    _recalculate(capsys, records, first, "--density", "840.5 kg/m3", "--reason", "mistyped")
    said = _recalculate(capsys, first, second, "--density", "838 kg/m3", "--reason", "it was right after all")
    assert said.out.startswith("TK-101: version 2, it was right after all, by ")
    back = [line["figures"]["mass"]["value"] for line in _read(second)]
    assert back == [line["figures"]["mass"]["value"] for line in _read(records)]
    assert [line["version"]["number"] for line in _read(second)] == [2] * 4


def test_a_corrected_table(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    table, out = tmp_path / "table.csv", tmp_path / "new.jsonl"
    # One per cent less in area: 0.995 of the diameter, squared.
    make = ("table", "make", "--kind", "upright_cylinder", "--diameter", "17.91 m", "--height", "14.6 m")
    typed(capsys, *make, "--step", "100 mm", "--date", "2026-02-01", "--name", "new strapping", "--out", str(table))
    said = _recalculate(capsys, records, out, "--table", str(table), "--reason", "calibrated anew")
    assert said.code == 0, said.err
    assert "  capacity table new strapping of 2026-02-01, linear interpolation\n" in said.out
    for old, new in zip(_read(records), _read(out), strict=True):
        assert new["figures"]["tov"]["value"] == pytest.approx(old["figures"]["tov"]["value"] * 0.990025, rel=1e-9)


SHELL_SITE = """site: {name: demo, time_zone: UTC}
lines: {field: {address: 192.0.2.10:502}}
instruments: {LT-1: {line: field, unit: 1, map: level_by_ullage_uint32, period: 2 s}}
products: {diesel: {method: api_11_1_2004, group: refined, reference_temperature: 15 degC}}
tanks:
  TK-101: {product: diesel, shape: {kind: upright_cylinder, diameter: 18 m, height: 14.6 m}, reference_height: 15.24 m,
    density: {value: 838 kg/m3, entered: 2026-03-01T00:00Z, expires: 31 d}, free_water: none,
    level: {instrument: LT-1, signal: ullage, measures: ullage},
    shell: {metal: carbon steel, table_temperature: 15 degC, insulated: yes}}
"""


def _shell_records(tmp_path: Path) -> tuple[Path, Path]:
    """(site file, records) of a tank whose shell stands at 35 degC and whose volumes hold at 15 degC."""
    site = tmp_path / "site.yaml"
    site.write_text(SHELL_SITE, "utf-8")
    ((plan,),) = ([setup.plan for setup in load_site(str(site)).tanks],)
    entered = Input(35.0, Quality.GOOD, Reason(ReasonCode.MANUAL, "by hand"), 60.0, "dip", True)
    inventory, _ = calculate(
        plan,
        TankInput(
            tank="TK-101",
            instant=BEGIN,
            level=_good(5.828),
            manual_temperature=entered,
            reference_density=Input(838.0, Quality.GOOD, None, 3600.0, "site file", True),
        ),
        EMPTY_MEMORY,
    )
    return site, _file(tmp_path / "shell.jsonl", [inventory_payload(record_of("demo", "a" * 32, 1, inventory))])


def _made(capsys: pytest.CaptureFixture[str], path: Path, *more: str) -> str:
    make = ("table", "make", "--kind", "upright_cylinder", "--diameter", "18 m", "--height", "14.6 m")
    typed(capsys, *make, "--step", "100 mm", "--out", str(path), *more)
    return str(path)


def test_a_corrected_table_brings_its_own_temperature(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The same volumes, holding at 25 degC and not at 15 degC: 10 degC less of steel. It stayed at 15 degC."""
    site, records = _shell_records(tmp_path)
    table, out = _made(capsys, tmp_path / "warm.csv", "--temperature", "25 degC"), tmp_path / "new.jsonl"
    words = ("recalculate", str(site), "TK-101", "--records", str(records), "--out", str(out))
    said = typed(capsys, *words, "--table", table, "--reason", "it holds at 25 degC")
    assert said.code == 0, said.err
    (old,), (new,) = _read(records), _read(out)
    assert old["figures"]["ctsh"]["value"] == pytest.approx(1 + 2 * 1.116e-5 * 20 + (1.116e-5 * 20) ** 2, abs=1e-12)
    assert new["figures"]["ctsh"]["value"] == pytest.approx(1 + 2 * 1.116e-5 * 10 + (1.116e-5 * 10) ** 2, abs=1e-12)
    assert new["figures"]["level"]["value"] == old["figures"]["level"]["value"]
    assert "  the level stays as recorded: how the shell moves the reference point is not made again\n" in said.out


def test_a_table_of_another_tank_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The site file refuses a table that ends above the reference height; recalculated with, records stayed Good."""
    site, records = _shell_records(tmp_path)
    words = ("recalculate", str(site), "TK-101", "--records", str(records), "--out", str(tmp_path / "new.jsonl"))
    make = ("table", "make", "--kind", "upright_cylinder", "--diameter", "25 m", "--height", "16 m", "--step", "100 mm")
    typed(capsys, *make, "--out", str(tmp_path / "other.csv"))
    said = typed(capsys, *words, "--table", str(tmp_path / "other.csv"), "--reason", "x")
    assert said.code == 2
    assert "--table: the table ends at 16.000 m, above the reference height, 15.240 m" in said.err
    with (tmp_path / "own.csv").open("w") as file:
        table = Path(_made(capsys, tmp_path / "made.csv")).read_text("utf-8")
        file.write(table.replace("# datum", "# reference height: 15.19 m\n# datum", 1))
    said = typed(capsys, *words, "--table", str(tmp_path / "own.csv"), "--reason", "x")
    assert (said.code, "the reference height of the table is 15.190 m, that of the site" in said.err) == (2, True)


def test_messages_as_a_subscriber_or_http_gave_them(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    first, second, third, fourth = _payloads()
    other = {**first, "identity": {**first["identity"], "tank": "TK-204"}}
    path = tmp_path / "mixed.jsonl"
    path.write_bytes(
        b"\n".join(
            (
                b"tanks/demo/TK-101/inventory " + orjson.dumps(first),
                orjson.dumps(first),
                b"",
                b"tanks/demo/TK-101/inventory (null)",
                orjson.dumps({"schema": INVENTORIES_SCHEMA, "inventories": [other, second, third]}),
                orjson.dumps({"schema": "tank-gateway/gateway-status/1"}),
                orjson.dumps(fourth),
            )
        )
    )
    document = _recalculate(capsys, path, tmp_path / "new.jsonl", "--json").document
    # Of others: the other tank, the status, and that the topic was cleared.
    assert (document["records"], document["repeated"], document["of_others"]) == (4, 1, 3)


def test_no_version_is_ever_replaced(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    out = tmp_path / "new.jsonl"
    out.write_text("kept\n", encoding="utf-8")
    said = _recalculate(capsys, records, out)
    assert said.code == 2
    assert said.err == (
        f"tank-gateway: --out: '{out}' exists already\n  hint: choose a new name; no version is replaced\n"
    )
    assert out.read_text(encoding="utf-8") == "kept\n"


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (
            ("--density", "840 kg/m3"),
            "a correction needs a reason\n  hint: --reason 'sample of 3 March was mistyped'\n",
        ),
        (
            ("--density", "840", "--reason", "x"),
            "--density: '840' has no unit; a density is wanted, for example 840 kg/m3\n",
        ),
        (
            ("--density-at", "20 degC", "--reason", "x"),
            "--density-at was given without --density\n  hint: give both, or neither\n",
        ),
        (
            ("--table", "gone.csv", "--reason", "x"),
            "there is no file 'gone.csv'\n  hint: give the path of a capacity table (CSV)\n",
        ),
    ],
)
def test_wrong_use_is_one_line_and_leaves_no_file(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path, words: tuple[str, ...], error: str
) -> None:
    said = _recalculate(capsys, records, tmp_path / "new.jsonl", *words)
    assert (said.code, said.out, said.err) == (2, "", f"tank-gateway: {error}")
    assert not (tmp_path / "new.jsonl").exists()


def test_a_tank_without_water_takes_none(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    said = _recalculate(capsys, records, tmp_path / "x", "--water", "10 mm", "--reason", "x", tank="BO-5")
    assert said.err == (
        "tank-gateway: --water: BO-5 is declared without free water\n  hint: change free_water in the site file\n"
    )


def test_a_table_that_ends_below_a_limit_is_refused(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path
) -> None:
    table = tmp_path / "short.csv"
    make = ("table", "make", "--kind", "upright_cylinder", "--diameter", "18 m", "--height", "13.4 m")
    typed(capsys, *make, "--step", "100 mm", "--out", str(table))
    said = _recalculate(capsys, records, tmp_path / "new.jsonl", "--table", str(table), "--reason", "x")
    assert said.code == 2
    assert said.err == (
        "tank-gateway: --table: the table ends at 13.400 m, below the high-high level, 13.550 m\n"
        "tank-gateway: --table: the table ends at 13.400 m, below the critical high level, 13.950 m\n"
    )


def _refused(capsys: pytest.CaptureFixture[str], path: Path, out: Path) -> str:
    said = _recalculate(capsys, path, out)
    assert (said.code, said.out) == (2, "")
    assert not out.exists(), "half a version is none"
    return said.err.removeprefix("tank-gateway: ").replace(f"{path}", "FILE")


def test_a_line_that_is_not_understood_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, out = tmp_path / "records.jsonl", tmp_path / "new.jsonl"
    whole = orjson.dumps(_payloads(1)[0])
    path.write_bytes(whole + b"\n{half\n")
    assert _refused(capsys, path, out).startswith("FILE:2: is not JSON (")
    broken = {**_payloads(1)[0], "time": "yesterday"}
    _file(path, [broken])
    assert _refused(capsys, path, out).startswith("FILE:1: is no inventory that this version understands: ")


def test_a_line_cut_off_at_the_end_of_a_growing_file_is_told_and_left_out(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path
) -> None:
    out = tmp_path / "new.jsonl"
    with records.open("ab") as file:
        file.write(orjson.dumps(_payloads(1)[0])[:500])
    said = _recalculate(capsys, records, out)
    assert said.code == 0
    assert "the last line was cut off, as of a file that is still being written, and is left out" in said.out
    assert len(_read(out)) == 4


def test_a_record_that_is_not_in_si_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, out = tmp_path / "records.jsonl", tmp_path / "new.jsonl"
    payload = _payloads(1)[0]
    payload["figures"]["level"].update(value=30.88, unit="ft")
    _file(path, [payload])
    assert "level is in ft, and records are in SI: m" in _refused(capsys, path, out)


def test_of_a_file_with_several_versions_the_latest_of_each_record_is_made_again(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path
) -> None:
    first, both, out = (tmp_path / name for name in ("first.jsonl", "both.jsonl", "out.jsonl"))
    _recalculate(capsys, records, first, "--density", "840.5 kg/m3", "--reason", "mistyped")
    # Of the first two records a version 1, of the last two none yet.
    both.write_bytes(records.read_bytes() + b"".join(first.read_bytes().splitlines(keepends=True)[:2]))
    said = _recalculate(capsys, both, out)
    assert said.out.startswith("TK-101: version 2, ")
    assert "2 records left out of which the file holds a later version" in said.out
    lines = _read(out)
    assert sorted(line["identity"]["sequence"] for line in lines) == [1, 2, 3, 4]
    assert {line["version"]["number"] for line in lines} == {2}, "a run makes one version"


def test_what_is_stopped_in_the_middle_leaves_no_file(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out" / "new.jsonl"
    out.parent.mkdir()
    seen = []

    def stopped(*_: object) -> None:
        seen.append([file.name for file in out.parent.iterdir()])
        raise KeyboardInterrupt

    monkeypatch.setattr("gateway.commands.accountant.recalculate_summary.Summary.add", stopped)
    assert _recalculate(capsys, records, out).code != 0
    assert [len(names) for names in seen] == [1], "it was written under another name"
    assert seen[0][0] != out.name
    assert list(out.parent.iterdir()) == []


def test_another_product_or_thermometer_needs_the_site_file_of_then(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, out = tmp_path / "records.jsonl", tmp_path / "new.jsonl"
    _file(path, _payloads(1, product="gasoline"))
    assert _refused(capsys, path, out) == (
        "FILE:1: product 'gasoline', where the site file has 'diesel'; give the site file that was valid then\n"
    )
    moved = _payloads(1)[0]
    moved["elements"][1]["height"] = 3.0
    _file(path, [moved])
    assert _refused(capsys, path, out) == (
        "FILE:1: temperature elements at 1, 3, 6, 8.5, 11 m, where the site file has 1, 3.5, 6, 8.5, 11 m; "
        "give the site file that was valid then\n"
    )


def test_a_file_without_the_tank_is_said(capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path) -> None:
    said = _recalculate(capsys, records, tmp_path / "x", tank="TK-204")
    assert said.code == 2
    assert said.err == f"tank-gateway: {records}: holds no inventory of TK-204 at site demo\n"
    said = _recalculate(capsys, tmp_path / "gone", tmp_path / "x")
    assert said.err == (
        f"tank-gateway: there is no file '{tmp_path / 'gone'}'\n  hint: give a file of recorded inventories\n"
    )
