"""What a right site file becomes, what it warns of, and that the files shipped with the program are right."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.tabulated import TabulatedDensity
from gateway.calculation.plan import FreeWaterSource, Weighting
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import SettingsError
from gateway.resources import config_folder, config_path
from gateway.settings import SiteSettings, TankSetup, load_site, site_schema
from gateway.settings.reading.document import read_document

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PARTS = Path(__file__).parent.parent / "invalid_site_files" / "parts"
SHIPPED = ["one_tank.yaml", "site.yaml", "demo/site.yaml"]


def _load(folder: Path, text: str, now: datetime = NOW) -> SiteSettings:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return load_site(path, now=now)


def _tank(folder: Path, *, level: bool = True, water: str = "none", **keys: str) -> tuple[TankSetup, tuple[str, ...]]:
    """One tank on the yard of the invalid files, with more keys."""
    given_keys = {
        "product": "diesel",
        "shape": "{kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}",
        "reference_height": "15.240 m",
        "free_water": water,
        "maximum_flow_in": "400 m3/h",
        "maximum_flow_out": "300 m3/h",
        **keys,
    }
    if level:
        datum = ", datum: datum plate" if "capacity_table" in keys else ""
        given_keys.setdefault("level", f"{{instrument: G-1, signal: innage, measures: innage{datum}}}")
    if "capacity_table" in keys:
        del given_keys["shape"]
    body = "".join(f"    {key}: {value}\n" for key, value in given_keys.items())
    found = _load(folder, f"include_from: {PARTS}\ninclude: {PARTS}/yard.yaml\ntanks:\n  TK-1:\n{body}")
    return found.tanks[0], found.warnings


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_site_file_is_right(name: str) -> None:
    found = load_site(config_path(name), now=NOW)
    assert found.tanks
    assert all("expired" not in warning for warning in found.warnings)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_site_file_fits_the_schema(name: str) -> None:
    document, _ = read_document(config_path(name), {})
    jsonschema.Draft202012Validator(site_schema()).validate(document.data(()))


def test_the_schema_is_one_and_refuses_unknown_keys() -> None:
    schema = site_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema
    validator = jsonschema.Draft202012Validator(schema)
    right = {"site": {"name": "s", "time_zone": "UTC"}}
    assert validator.is_valid(right)
    assert not validator.is_valid({**right, "tank": {}})
    assert not validator.is_valid({"site": {"name": "s"}})
    assert not validator.is_valid({**right, "products": {"p": {"method": "guess"}}})


def test_the_annotated_file_shows_every_key() -> None:
    """A key that is added to a model must be added to the reference too."""
    text = config_path("site.yaml").read_text(encoding="utf-8")
    schema = site_schema()
    keys = {key for model in schema["$defs"].values() for key in model.get("properties", {})}
    missing = {key for key in keys if f"{key}:" not in text}
    assert missing == set()


PRODUCT_FILES = sorted(str(file.relative_to(config_folder())) for file in config_path("products").rglob("*.yaml"))


@pytest.mark.parametrize("name", PRODUCT_FILES)
def test_every_shipped_product_is_right(tmp_path: Path, name: str) -> None:
    products = "" if name == "products/refined.yaml" else f"{PARTS}/products.yaml, "
    text = f"include_from: {PARTS}\ninclude: [{PARTS}/site.yaml, {PARTS}/instruments.yaml, {products}{name}]\ntanks:\n"
    text += "  TK-1:\n    product: diesel\n    density: {value: 838 kg/m3, entered: 2026-11-20T06:00Z, expires: 31 d}\n"
    text += "    shape: {kind: upright_cylinder, diameter: 8 m, height: 8 m}\n    reference_height: 9 m\n"
    text += "    level: {instrument: G-1, signal: innage, measures: innage}\n    free_water: none\n"
    assert _load(tmp_path, text).tanks[0].plan.product.name == "diesel"


def test_shipped_products_need_a_density_of_the_tank(tmp_path: Path) -> None:
    files = (
        PARTS / "site.yaml",
        PARTS / "instruments.yaml",
        PARTS / "tank.yaml",
        config_path("products", "refined.yaml"),
    )
    text = f"include_from: {PARTS}\ninclude: [{', '.join(map(str, files))}]\n"
    with pytest.raises(SettingsError) as caught:
        _load(tmp_path, text)
    (message,) = caught.value.mistakes
    assert message.endswith("density: is missing; product diesel gives no reference_density, so the tank must")


def test_a_nominal_density_is_undated_and_warned_of(tmp_path: Path) -> None:
    tank, warnings = _tank(tmp_path, density="838 kg/m3")
    given_density = tank.binding.reference_density
    assert given_density is not None
    assert (given_density.value, given_density.entered, given_density.expires) == (838.0, None, None)
    assert len(warnings) == 1
    assert "tanks.TK-1.density: has no date, so results are Uncertain" in warnings[0]


def test_the_tank_s_density_comes_before_the_product_s(tmp_path: Path) -> None:
    sample = "{value: 0.8412 kg/L, entered: 2026-11-20T07:00+01:00, expires: 31 d, reason: sample 7}"
    tank, _ = _tank(tmp_path, density=sample)
    found = tank.binding.reference_density
    assert found is not None
    assert found.value == 841.2
    assert found.entered == datetime(2026, 11, 20, 6, tzinfo=UTC)
    assert found.expires == datetime(2026, 12, 21, 6, tzinfo=UTC)


def test_a_density_at_tank_temperature_is_bound_as_observed(tmp_path: Path) -> None:
    sample = "{value: 830 kg/m3, at: tank, entered: 2026-11-20T06:00Z, expires: 31 d}"
    tank, _ = _tank(tmp_path, density=sample)
    assert tank.binding.reference_density is None
    assert tank.binding.observed_density is not None
    assert tank.binding.observed_density.value == 830.0


def test_a_density_observed_at_a_temperature_becomes_one_at_reference(tmp_path: Path) -> None:
    sample = "{value: 830 kg/m3, at: 25 degC, entered: 2026-11-20T06:00Z, expires: 31 d}"
    tank, _ = _tank(tmp_path, density=sample)
    found = tank.binding.reference_density
    assert found is not None
    method = PetroleumCorrection(PetroleumGroup.REFINED, 15.0)
    assert method.from_reference_density(found.value).at(25.0, 0.0).observed_density == pytest.approx(830.0, abs=1e-6)
    assert 836.0 < found.value < 838.0


def test_an_expired_sample_and_one_from_the_future_are_warned_of(tmp_path: Path) -> None:
    sample = "{value: 838 kg/m3, entered: 2026-10-01T06:00Z, expires: 31 d}"
    _, warnings = _tank(tmp_path, density=sample)
    assert len(warnings) == 1
    assert warnings[0].endswith("tanks.TK-1.density: expired on 2026-11-01 06:00 UTC; enter a new value")
    sample = "{value: 838 kg/m3, entered: 2026-12-01T06:00Z, expires: 31 d}"
    _, warnings = _tank(tmp_path, density=sample)
    assert len(warnings) == 1
    assert warnings[0].endswith("density.entered: 2026-12-01 06:00 UTC lies in the future; see to the clock")


ELEMENTS = "{instrument: G-1, elements: [{signal: t1, height: 1 m}]}"
DATED = "entered: 2026-11-25T06:00Z, expires: 24 h"


def test_values_by_hand_beside_instruments_are_substitutes(tmp_path: Path) -> None:
    manual = f"{{level: {{value: 5 m, {DATED}}}, temperature: {{value: 20 degC, {DATED}}}, "
    manual += f"water: {{value: 35 mm, {DATED}}}}}"
    water = "{kind: probe, instrument: G-1, signal: water}"
    tank, _ = _tank(tmp_path, manual=manual, temperature=ELEMENTS, water=water)
    binding = tank.binding
    values = (binding.manual_level, binding.manual_temperature, binding.manual_water)
    for value, expected in zip(values, (5.0, 20.0, 0.035), strict=True):
        assert value is not None
        assert value.value == expected
        assert (value.substitutes, value.origin) == (True, "manual")
        assert value.entered is not None
        assert value.expires == value.entered + timedelta(days=1)
    assert tank.plan.free_water is FreeWaterSource.PROBE


def test_values_by_hand_without_instruments_are_dips_for_31_days(tmp_path: Path) -> None:
    dated = "entered: 2026-11-25T06:00Z, expires: 31 d"
    manual = f"{{level: {{value: 5 m, {dated}}}, temperature: {{value: 20 degC, {dated}}}}}"
    tank, warnings = _tank(tmp_path, level=False, manual=manual, water=f"{{kind: dip, value: 35 mm, {dated}}}")
    assert warnings == ()
    for value in (tank.binding.manual_level, tank.binding.manual_temperature, tank.binding.manual_water):
        assert value is not None
        assert (value.substitutes, value.origin) == (False, "dip")
    assert tank.plan.gauge is None
    assert tank.plan.free_water is FreeWaterSource.DIP
    assert tank.period_s == 10.0


def test_a_capacity_table_counts_from_the_file_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    text = (PARTS / "short_table.csv").read_text(encoding="utf-8")
    (tmp_path / "tables" / "t.csv").write_text(text, encoding="utf-8")
    tank, _ = _tank(tmp_path, capacity_table="tables/t.csv")
    assert isinstance(tank.plan.capacity, CapacityTable)
    assert tank.plan.capacity.volume(0.5) == 125.0


ROOF = "{mass: 46000 kg, critical_low: 0.6 m, critical_high: 0.8 m}"


def test_the_roof_s_table_density_is_that_of_the_table(tmp_path: Path) -> None:
    tank, warnings = _tank(tmp_path, capacity_table=str(PARTS / "roof_table.csv"), roof=ROOF, shell="none")
    assert tank.plan.roof is not None
    assert tank.plan.roof.table_density_kg_m3 == 838.0
    assert warnings == ()
    tank, warnings = _tank(tmp_path, capacity_table=str(PARTS / "short_table.csv"), roof=ROOF, shell="none")
    assert tank.plan.roof is not None
    assert tank.plan.roof.table_density_kg_m3 is None
    assert warnings == ()


def test_a_table_that_does_not_mention_its_roof_is_warned_of(tmp_path: Path) -> None:
    text = (PARTS / "short_table.csv").read_text(encoding="utf-8").replace("roof: not included", "roof: not stated")
    (tmp_path / "t.csv").write_text(text, encoding="utf-8")
    _, warnings = _tank(tmp_path, capacity_table="t.csv", roof=ROOF, shell="none")
    assert len(warnings) == 1
    assert warnings[0].endswith("tanks.TK-1.roof: the capacity table does not say whether it deducts the roof")


def test_a_minimum_inside_the_roof_s_critical_zone_is_warned_of(tmp_path: Path) -> None:
    roof = "{mass: 46000 kg, critical_low: 1.6 m, critical_high: 2 m}"
    _, warnings = _tank(tmp_path, roof=roof, limits="{minimum: 1.8 m}")
    assert len(warnings) == 1
    assert warnings[0].endswith("limits.minimum: lies below the top of the roof's critical zone, 2 m")


def test_defaults_and_choices_of_the_thermometer(tmp_path: Path) -> None:
    tank, _ = _tank(tmp_path, temperature=ELEMENTS)
    plan = tank.plan.temperature
    assert (plan.immersion_margin_m, plan.vapour_clearance_m, plan.outlier_c, plan.stratification_c) == (0.3, 0.5, 5, 3)
    assert (plan.weighting, plan.last_good_limit_s) == (Weighting.EQUAL, 86_400.0)
    chosen = ELEMENTS.replace("{instr", "{weighting: slice_volume, outlier: 9 degF, last_good_limit: 1 h, instr")
    tank, _ = _tank(tmp_path, temperature=chosen)
    plan = tank.plan.temperature
    assert plan.weighting is Weighting.SLICE_VOLUME
    assert plan.outlier_c == pytest.approx(5.0, abs=1e-12)
    assert plan.last_good_limit_s == 3600.0


def test_a_product_by_points(tmp_path: Path) -> None:
    product = """
products:
  oil:
    method: density_against_temperature
    source: laboratory
    points: [{temperature: 20 degC, density: 919 kg/m3}, {temperature: 40 degC, density: 905.5 kg/m3}]
    reference_temperature: 20 degC
"""
    tanks = "tanks:\n  TK-1:\n    product: oil\n    shape: {kind: upright_cylinder, diameter: 8 m, height: 8 m}\n"
    tanks += "    reference_height: 9 m\n    level: {instrument: G-1, signal: innage, measures: innage}\n"
    tanks += "    free_water: none\n"
    found = _load(tmp_path, f"include_from: {PARTS}\ninclude: {PARTS}/yard.yaml\n{product}{tanks}")
    method = found.tanks[0].plan.product.method
    assert isinstance(method, TabulatedDensity)
    assert method.density_at(30.0) == pytest.approx(912.25)
    assert method.reference_density == 919.0


def test_registers_in_line(tmp_path: Path) -> None:
    instrument = """
instruments:
  G-3:
    line: north
    unit: 3
    period: 500 ms
    largest_block: 20
    gaps: no
    signals:
      innage: {table: input_registers, address: 7, type: uint16, scale: 0.0625, unit: in}
"""
    found = _load(tmp_path, f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n{instrument}")
    plan = found.lines[0].instruments[0]
    assert (plan.tag, plan.period_s, plan.timeout_s) == ("G-3", 0.5, 1.0)
    assert (plan.map.name, plan.map.largest_block, plan.map.gaps_allowed) == ("G-3", 20, False)


@pytest.mark.parametrize(
    ("address", "warned"),
    [
        ("127.0.0.1:9109", False),
        ("localhost:9109", False),
        ("[::1]:9109", False),
        ("0.0.0.0:9109", True),
        ("[::]:9109", True),
        ("tank-gateway.example:9109", True),
    ],
)
def test_what_others_can_reach_is_warned_of(tmp_path: Path, address: str, warned: bool) -> None:
    base = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    found = _load(tmp_path, f'{base}web: {{address: "{address}"}}\n')
    assert found.http is not None
    assert found.http.port == 9109
    assert [warning.partition(": ")[2][:11] for warning in found.warnings] == ["web.address"] * warned
    found = _load(tmp_path, f'{base}delivery: {{mqtt: {{address: "{address}"}}}}\n')
    assert len(found.warnings) == warned
    found = _load(tmp_path, f'{base}delivery: {{mqtt: {{address: "{address}", tls: {{}}}}}}\n')
    (mqtt,) = found.brokers
    assert mqtt.tls is not None
    assert found.warnings == ()


def test_the_broker_s_keys(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x\n", encoding="utf-8")
    (tmp_path / "secret").chmod(0o600)
    mqtt = """
delivery:
  mqtt:
    address: broker.example:8883
    prefix: a/b
    protocol: 5
    client_id: c
    user_name: u
    password_file: secret
    tls: {ca: none.pem}
    keepalive: 1 min
    timeout: 5 s
    window: 7
"""
    found = _load(tmp_path, f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n{mqtt}")
    (plan,) = found.brokers
    assert (plan.host, plan.port, plan.prefix, plan.protocol) == ("broker.example", 8883, "a/b", "5")
    assert (plan.client_id, plan.user_name, plan.password_file) == ("c", "u", tmp_path / "secret")
    assert plan.tls is not None
    assert plan.tls.ca == tmp_path / "none.pem"
    assert (plan.keepalive_s, plan.timeout_s, plan.window) == (60, 5.0, 7)
    assert found.warnings == (
        f"{tmp_path}/site.yaml:12: delivery.mqtt.tls.ca: there is no file {tmp_path}/none.pem on this machine",
    )


def test_several_brokers_are_a_list_in_the_same_words(tmp_path: Path) -> None:
    base = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    one = _load(tmp_path, f'{base}delivery: {{mqtt: {{address: "127.0.0.1:1883", window: 7}}}}\n')
    listed = _load(tmp_path, f'{base}delivery: {{mqtt: [{{address: "127.0.0.1:1883", window: 7}}]}}\n')
    assert one.deliveries == listed.deliveries
    two = _load(
        tmp_path,
        f'{base}delivery: {{mqtt: [{{address: "127.0.0.1:1883"}}, {{name: office, address: "127.0.0.1:1883", '
        "prefix: all}]}\n",
    )
    assert [(plan.name, plan.prefix) for plan in two.brokers] == [("mqtt:127.0.0.1:1883", "tanks"), ("office", "all")]
    assert _load(tmp_path, f"{base}delivery: {{mqtt: []}}\n").deliveries == ()


def test_nothing_to_deliver_is_allowed(tmp_path: Path) -> None:
    found = _load(tmp_path, f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n")
    assert (found.deliveries, found.http) == ((), None)


def test_a_broken_shipped_map_is_reported_in_its_own_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "instruments").mkdir()
    broken = tmp_path / "instruments" / "broken.yaml"
    broken.write_text("signals:\n  level: {table: coils, address: 0, type: bit}\n", encoding="utf-8")
    unreadable = tmp_path / "instruments" / "unreadable.yaml"
    unreadable.write_text("signals: [\n", encoding="utf-8")
    monkeypatch.setattr("gateway.settings.lines.map_trees.config_folder", lambda: tmp_path)
    text = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\ninstruments:\n"
    text += "  G-3: {line: north, unit: 3, map: broken, period: 2 s}\n"
    text += "  G-4: {line: north, unit: 4, map: unreadable, period: 2 s}\n"
    with pytest.raises(SettingsError) as caught:
        _load(tmp_path, text)
    first, second = caught.value.mistakes
    assert first.startswith(f"{broken}:2: signals.level.type: 'bit' is not known; ")
    assert second.startswith(f"{unreadable}:2: is not valid YAML")


SPOILED = {
    name: config_path(name).read_text(encoding="utf-8").splitlines()
    for name in ("demo/site.yaml", "site.yaml", "examples/caustic_by_pressure.yaml", "examples/propane_sphere.yaml")
}
PLACES = [(name, line) for name, lines in SPOILED.items() for line in range(len(lines))]
JUNK = st.sampled_from(
    ["", "~", "[]", "{}", "{a: b}", "[a, b]", "0", "-1", "1e99 m", "0 m", "none", "*a", "&a", "'", ": :"]
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(PLACES), st.one_of(st.none(), JUNK))
def test_a_spoiled_file_is_accepted_or_refused_with_places(
    tmp_path: Path, place: tuple[str, int], junk: str | None
) -> None:
    """A line is left out, or its value replaced: never anything but SettingsError, one line per mistake."""
    name, line = place
    lines = list(SPOILED[name])
    lines[line] = "" if junk is None else f"{lines[line].partition(':')[0]}: {junk}"
    try:
        found = _load(tmp_path, "\n".join(lines))
    except SettingsError as error:
        mistakes = error.mistakes
    else:
        assert found.tanks
        return
    assert mistakes
    assert all(mistake.startswith(f"{tmp_path}/site.yaml:") and "\n" not in mistake for mistake in mistakes)
