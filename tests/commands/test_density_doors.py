"""A density is one thing whatever door it comes in by: site file, `dip` and `recalculate` say the same of it."""

from pathlib import Path

import orjson
import pytest

from gateway.calculation.methods.hydrometer import hydrometer_correction
from gateway.commands.demonstration.site import load_demo
from gateway.errors import SettingsError
from gateway.payload.writer import inventory_payload
from gateway.records import Quality
from gateway.settings import load_site
from tests.commands.typed import typed
from tests.settings.yard import NOW
from tests.support.plans import good, sheet, straight_input
from tests.support.records import record_of

DEMO = Path(__file__).parents[2] / "config" / "demo" / "site.yaml"
LEVEL = ("--level", "9.412 m", "--water", "none", "--temperature", "14.7 degC")
DATES = "entered: 2026-11-20T06:00Z, expires: 31 d"


def by_site_file(folder: Path, keys: str) -> float | str:
    """TK-101 of the demo with this density: kg/m3 at 15 degC, or what is said against it."""
    text = DEMO.read_text(encoding="utf-8")
    path = folder / "site.yaml"
    path.write_text(
        text.replace("    product: diesel\n", f"    product: diesel\n    density: {{{keys}, {DATES}}}\n"),
        encoding="utf-8",
    )
    try:
        settings = load_site(path, now=NOW)
    except SettingsError as error:
        (mistake,) = error.mistakes
        return mistake.partition("density: ")[2]
    density = next(setup.binding.reference_density for setup in settings.tanks if setup.plan.tank == "TK-101")
    assert density is not None
    return density.value


def by_dip(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> float | str:
    said = typed(capsys, "dip", "demo", "TK-101", *LEVEL, *words, "--json")
    if said.code == 2:
        return said.err.partition("--density: ")[2].strip()
    found: float = said.document["figures"]["reference_density"]["value"]
    return found


def by_recalculation(capsys: pytest.CaptureFixture[str], folder: Path, words: tuple[str, ...]) -> float | str:
    plan = next(setup.plan for setup in load_demo().tanks if setup.plan.tank == "TK-101")
    given = straight_input(5.828, tank="TK-101", water=good(0.035), elements=tuple(good(15.0) for _ in range(5)))
    inventory = sheet(plan, given._replace(simulated=True, reference_density=good(838.0)))
    records, out = folder / "records.jsonl", folder / "new.jsonl"
    records.write_bytes(orjson.dumps(inventory_payload(record_of("demo", "a" * 32, 1, inventory))) + b"\n")
    said = typed(
        capsys, "recalculate", "demo", "TK-101", "--records", str(records), "--out", str(out), "--reason", "x", *words
    )
    if said.code == 2:
        return said.err.partition("--density: ")[2].strip()
    found: float = orjson.loads(out.read_bytes())["figures"]["reference_density"]["value"]
    return found


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("value: 836.4 kg/m3", ("--density", "836.4 kg/m3")),
        ("value: 836.4 kg/m3, at: 15 degC", ("--density", "836.4 kg/m3", "--density-at", "15 degC")),
        ("value: 831.2 kg/m3, at: 24.5 degC", ("--density", "831.2 kg/m3", "--density-at", "24.5 degC")),
        (
            "value: 831.2 kg/m3, at: 24.5 degC, by: hydrometer",
            ("--density", "831.2 kg/m3", "--density-at", "24.5 degC", "--hydrometer"),
        ),
        (
            "value: 831.2 kg/m3, at: 24.5 degC, by: hydrometer, made_for: 20 degC",
            ("--density", "831.2 kg/m3", "--density-at", "24.5 degC", "--hydrometer", "20 degC"),
        ),
        ("value: 37.2 degAPI", ("--density", "37.2 degAPI")),
        ("value: 37.2 degAPI, at: 60 degF", ("--density", "37.2 degAPI", "--density-at", "60 degF")),
        (
            "value: 38.1 degAPI, at: 75 degF, by: hydrometer",
            ("--density", "38.1 degAPI", "--density-at", "75 degF", "--hydrometer"),
        ),
        ("value: 37.2 degAPI, at: 75 degF", ("--density", "37.2 degAPI", "--density-at", "75 degF")),
        ("value: 742 kg/m3", ("--density", "742 kg/m3")),
        ("value: 742 kg/m3, at: 20 degC", ("--density", "742 kg/m3", "--density-at", "20 degC")),
        ("value: 5000 kg/m3", ("--density", "5000 kg/m3")),
        ("value: 836 kg/m3, at: 300 degC", ("--density", "836 kg/m3", "--density-at", "300 degC")),
    ],
)
def test_every_door_says_the_same(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, keys: str, words: tuple[str, ...]
) -> None:
    in_file, typed_in = by_site_file(tmp_path, keys), by_dip(capsys, words)
    assert typed_in == by_recalculation(capsys, tmp_path, words)
    assert typed_in == in_file
    assert isinstance(in_file, str) is ("742" in keys or "5000" in keys or "300" in keys or keys.endswith("75 degF"))


def test_a_hydrometer_is_corrected_for_its_glass_once(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo's diesel: 831.2 kg/m3 at 24.5 degC, glass 0.99977970, back to 15 degC with alpha 0.000846:
    x = 0.008037, 831.2 x 0.99977970 / exp(-x (1 + 0.8 x)) = 837.77 kg/m3; without the glass 837.95."""
    words = ("--density", "831.2 kg/m3", "--density-at", "24.5 degC")
    plain, read = by_dip(capsys, words), by_dip(capsys, (*words, "--hydrometer"))
    assert plain == pytest.approx(837.95, abs=0.005)
    assert read == pytest.approx(837.77, abs=0.005)
    assert isinstance(plain, float)
    assert read == pytest.approx(plain * hydrometer_correction(15.0, 24.5), rel=1e-12)


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (("--hydrometer",), "--hydrometer was given without --density\n  hint: give both, or neither\n"),
        (
            ("--density", "836 kg/m3", "--hydrometer"),
            "--density: a hydrometer's reading needs the temperature that it was read at, such as 24.5 degC\n",
        ),
        (
            ("--density", "836 kg/m3", "--density-at", "20 degC", "--hydrometer", "hot"),
            "--hydrometer: 'hot' is not a temperature; write a number and a unit, for example 1 degC\n",
        ),
        (("--density", "-836 kg/m3"), "--density: -836 kg/m3 is no density; a density is above 0 kg/m3\n"),
        (
            ("--ambient", "300 degC"),
            "--ambient: 300 degC is no temperature of the air\n  hint: give -90 degC to 70 degC\n",
        ),
        (
            ("--temperature", "900 degC"),
            "--temperature: 900 degC is no temperature of a liquid in a tank\n  hint: give -200 degC to 400 degC\n",
        ),
    ],
)
def test_wrong_use_of_the_options(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], error: str) -> None:
    said = typed(capsys, "dip", "demo", "TK-101", "--level", "9.412 m", *words)
    assert (said.code, said.out, said.err) == (2, "", f"tank-gateway: {error}")


def test_a_density_carried_far_is_uncertain_by_every_door(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """785 kg/m3 at 90 degC is 75 degC from the reference, of a coefficient of no stated range."""
    words = ("--density", "785 kg/m3", "--density-at", "90 degC")
    figures = typed(capsys, "dip", "demo", "TK-101", *LEVEL, *words, "--json").document["figures"]
    assert figures["mass"]["quality"] == figures["reference_density"]["quality"] == "Uncertain"
    assert figures["reference_density"]["reason"]["code"] == "method_doubtful"
    text = DEMO.read_text(encoding="utf-8")
    path = tmp_path / "site.yaml"
    keys = f"    product: diesel\n    density: {{value: 785 kg/m3, at: 90 degC, {DATES}}}\n"
    path.write_text(text.replace("    product: diesel\n", keys), encoding="utf-8")
    settings = load_site(path, now=NOW)
    said = typed(capsys, "dip", str(path), "TK-101", *LEVEL, "--at", "2026-11-25T06:00Z", "--json").document["figures"]
    assert said["reference_density"]["reason"]["code"] == "method_doubtful"
    assert said["mass"]["quality"] == Quality.UNCERTAIN.word
    assert any(
        "results are Uncertain: expansion coefficient used over 50 degC from" in each for each in settings.warnings
    )
    assert by_recalculation(capsys, tmp_path, words) == pytest.approx(figures["reference_density"]["value"])
    again = orjson.loads((tmp_path / "new.jsonl").read_bytes())["figures"]
    assert again["mass"]["quality"] == "Uncertain"
