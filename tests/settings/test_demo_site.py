"""The demo site against the worksheet of its registers and the description of its ten tanks, value by value."""

import math
from datetime import UTC, datetime, timedelta

import pytest

from gateway.acquisition.plan import InstrumentPlan
from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, Signal, ValueType
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.calculation.methods.tabulated import LinearDensity
from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, HeadPlan, Weighting
from gateway.calculation.shapes import LyingCylinder, UprightCylinder
from gateway.calculation.shapes.datum import WithDatum
from gateway.modbus.tables import Table
from gateway.records import Input, Quality, TankInput
from gateway.resources import config_path
from gateway.settings import SiteSettings, TankSetup, dated_entries, load_site
from simulators import load_scenario

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
FOOT = 0.3048
BARREL_PER_HOUR = 0.158987294928 / 3600.0


@pytest.fixture(scope="module")
def demo() -> SiteSettings:
    return load_site(config_path("demo", "site.yaml"), now=NOW)


def _tank(demo: SiteSettings, tag: str) -> TankSetup:
    return next(tank for tank in demo.tanks if tank.plan.tank == tag)


def _instrument(demo: SiteSettings, tag: str) -> InstrumentPlan:
    return next(found for line in demo.lines for found in line.instruments if found.tag == tag)


def test_site(demo: SiteSettings) -> None:
    assert (demo.name, demo.time_zone, demo.simulated, demo.warnings) == ("demo", "UTC", True, ())
    (mqtt,) = demo.brokers
    assert (mqtt.host, mqtt.port, mqtt.prefix) == ("127.0.0.1", 18830, "tanks")
    assert demo.http is not None
    assert (demo.http.host, demo.http.port) == ("127.0.0.1", 9109)
    assert all(tank.plan.gravity_m_s2 == 9.80665 and tank.binding.simulated for tank in demo.tanks)
    assert all(tank.binding.tank == tank.plan.tank and tank.description for tank in demo.tanks)


PLACES = {
    "TK-101": "Fuel depot",
    "TK-204": "Sea terminal",
    "J-3": "Airfield",
    "B-2": "LPG bottling",
    "C-7": "Chemical works",
    "P-12": "Edible-oil store",
    "BO-5": "Lube plant",
    "A-1": "Additive plant",
    "F-1": "Power station",
    "D-1": "Peaking plant",
}


def test_no_place_has_a_name_that_a_firm_could_have(demo: SiteSettings) -> None:
    """A description begins with a kind of place; only abbreviations have capitals behind that."""
    simulated = load_scenario("printed_state").tanks
    described = {tank.plan.tank: tank.description for tank in demo.tanks}
    assert {tag: text.split(",")[0] for tag, text in described.items()} == PLACES
    assert {tag: tank.description.split(",")[0] for tag, tank in simulated.items()} == PLACES
    for text in [*described.values(), *(tank.description for tank in simulated.values())]:
        words = [word for word in text.split()[1:] if word[0].isupper()]
        assert words == [], text


# tag: product, diameter, shell or tangent length, heel, reference height; heights of elements; minimum, maximum
# working, high-high, critical high; largest flow in and out in m3/h. Metres.
TANKS = {
    "TK-101": ("diesel", 18.0, 14.6, 0.0, 15.24, (1, 3.5, 6, 8.5, 11), (0.9, 13.2, 13.55, 13.95), (400, 300)),
    "TK-204": ("gasoline", 24.0, 15.0, 0.0, 15.8, (1, 3.5, 6, 8.5, 11), (2.2, 13.0, 13.3, 13.65), (600, 600)),
    "J-3": ("jet", 12.0, 11.0, 4.2, 11.6, (1, 3, 5, 7, 9), (1.1, 9.6, 9.9, 10.25), (120, 150)),
    "B-2": ("lpg", 3.0, 18.0, 0.0, 3.0, (0.3, 1.0, 1.7, 2.4), (0.25, 2.232, 2.3, 2.372), (20, 25)),
    "C-7": ("caustic", 8.0, 8.5, 0.0, 8.9, (0.8, 4.0), (0.5, 7.6, 7.8, 8.05), (50, 40)),
    "P-12": ("palm_oil", 15.0, 13.5, 0.0, 14.0, (0.6, 2.6, 4.6, 6.6, 8.6, 10.6), (0.45, 12.3, 12.6, 12.9), (200, 300)),
    "BO-5": ("base_oil", 6.0, 8.0, 0.0, 8.35, (0.5, 2.5, 4.5), (0.35, 7.2, 7.4, 7.65), (28, 30)),
    "A-1": ("dispersant", 3.2, 5.0, 0.0, 5.2, (0.8,), (0.3, 4.3, 4.45, 4.65), (6, 3)),
    "F-1": ("heavy_fuel_oil", 32.0, 16.0, 0.0, 16.7, (1, 3.5, 6, 8.5, 11, 13.5), (1.2, 14.2, 14.5, 14.9), (1000, 120)),
    "D-1": (
        "distillate",
        60 * FOOT,
        48 * FOOT,
        0.0,
        49.5 * FOOT,
        tuple(feet * FOOT for feet in (3, 10, 17, 24, 31, 38)),
        tuple(feet * FOOT for feet in (3, 43, 44, 45.25)),
        (1260 * BARREL_PER_HOUR * 3600, 315 * BARREL_PER_HOUR * 3600),
    ),
}


@pytest.mark.parametrize("tag", TANKS)
def test_tank(demo: SiteSettings, tag: str) -> None:
    product, diameter, length, heel, reference_height, heights, limits, flows = TANKS[tag]
    plan = _tank(demo, tag).plan
    assert plan.product.name == product
    capacity = plan.capacity
    if tag == "B-2":
        assert isinstance(capacity, LyingCylinder)
        assert (capacity.diameter_m, capacity.tangent_length_m, capacity.head) == (3.0, 18.0, "ellipsoidal")
    else:
        shell = capacity.shape if isinstance(capacity, WithDatum) else capacity
        assert isinstance(shell, UprightCylinder)
        assert shell.diameter_m == pytest.approx(diameter, abs=1e-12)
        assert capacity.top_m == pytest.approx(length, abs=1e-12)
        assert capacity.heel_m3 == pytest.approx(heel, abs=1e-12)
    assert plan.reference_height_m == pytest.approx(reference_height, abs=1e-12)
    assert [element.height_m for element in plan.temperature.elements] == pytest.approx(list(heights), abs=1e-12)
    found = plan.limits
    assert (found.minimum_m, found.maximum_working_m, found.high_high_m, found.critical_high_m) == pytest.approx(
        limits, abs=1e-12
    )
    assert plan.maximum_flow_in_m3_s == pytest.approx(flows[0] / 3600.0, rel=1e-12)
    assert plan.maximum_flow_out_m3_s == pytest.approx(flows[1] / 3600.0, rel=1e-12)


# tag: level, elements' instrument, water, second level, bottom pressure, vapour pressure
SOURCES = {
    "TK-101": ("LT-101.ullage", "TT-101", "WT-101.water", None, None, None),
    "TK-204": ("XT-204.innage", "XT-204", "XT-204.water", None, None, None),
    "J-3": ("LT-3.innage", "TT-3", "LT-3.water", None, None, None),
    "B-2": ("XT-B2.innage", "XT-B2", None, None, None, "XT-B2.pressure"),
    "C-7": (None, "XT-C7", None, None, "XT-C7.pressure", None),
    "P-12": ("XT-P12.innage", "XT-P12", None, None, None, None),
    "BO-5": ("IO-BO5.innage", "IO-BO5", None, None, None, None),
    "A-1": (None, "XT-A1", None, None, "XT-A1.pressure", None),
    "F-1": ("LT-F1.innage", "TT-F1", None, None, None, None),
    "D-1": ("LT-D1A.innage", "TT-D1", "LT-D1A.water", "LT-D1B.ullage", None, None),
}


@pytest.mark.parametrize("tag", SOURCES)
def test_sources(demo: SiteSettings, tag: str) -> None:
    tank = _tank(demo, tag)
    binding = tank.binding
    single = (binding.level, binding.water, binding.second_level, binding.bottom_pressure, binding.vapour_pressure)
    level, thermometer, water, second, bottom, vapour = SOURCES[tag]
    assert tuple(None if source is None else source.name for source in single) == (level, water, second, bottom, vapour)
    count = len(tank.plan.temperature.elements)
    names = [f"{thermometer}.t{number}" for number in range(1, count + 1)]
    assert [source.name for source in binding.elements] == names
    assert [element.name for element in tank.plan.temperature.elements] == names
    assert tank.plan.free_water is (FreeWaterSource.NONE if water is None else FreeWaterSource.PROBE)


def test_gauges(demo: SiteSettings) -> None:
    kinds = {tank.plan.tank: tank.plan.gauge for tank in demo.tanks}
    assert isinstance(kinds["C-7"], HeadPlan)
    assert kinds["C-7"].nozzle_height_m == 0.3
    assert isinstance(kinds["A-1"], HeadPlan)
    assert kinds["A-1"].nozzle_height_m == 0.15
    gauges = {tag: gauge.kind for tag, gauge in kinds.items() if isinstance(gauge, GaugePlan)}
    assert len(gauges) == 8
    assert [tag for tag, kind in gauges.items() if kind is GaugeKind.ULLAGE] == ["TK-101"]
    second = _tank(demo, "D-1").plan.second_gauge
    assert second is not None
    assert (second.kind, second.offset_m) == (GaugeKind.ULLAGE, 0.0)
    assert _tank(demo, "D-1").plan.gauge_difference_limit_m == 0.010


def test_immersion_weighting_roof_and_vapour(demo: SiteSettings) -> None:
    margins = {tank.plan.tank: tank.plan.temperature.immersion_margin_m for tank in demo.tanks}
    assert margins.pop("B-2") == 0.1
    assert margins.pop("D-1") == pytest.approx(FOOT)
    assert set(margins.values()) == {0.3}
    assert [tank.plan.tank for tank in demo.tanks if tank.plan.temperature.weighting is Weighting.SLICE_VOLUME] == [
        "B-2"
    ]
    roofs = {tank.plan.tank: tank.plan.roof for tank in demo.tanks if tank.plan.roof is not None}
    assert list(roofs) == ["TK-204"]
    roof = roofs["TK-204"]
    assert (roof.mass_kg, roof.critical_low_m, roof.critical_high_m) == (46_000.0, 1.6, 2.0)
    assert roof.table_density_kg_m3 is None
    vapours = {tank.plan.tank: tank.plan.vapour for tank in demo.tanks if tank.plan.vapour is not None}
    assert list(vapours) == ["B-2"]
    assert vapours["B-2"].density_kg_m3 == 13.7
    assert not any(tank.plan.shell or tank.plan.pressurised for tank in demo.tanks)


# tag: coefficient per degC at reference temperature in degC, density there
EXPANSION = {
    "TK-101": (0.000846, 15.0, 838.0),
    "TK-204": (0.001221, 15.0, 742.0),
    "J-3": (0.000924, 15.0, 802.0),
    "BO-5": (0.000713, 15.0, 881.0),
    "A-1": (0.000679, 15.0, 925.0),
    "F-1": (0.000686, 15.0, 985.0),
    "D-1": (0.0004586 * 1.8, 28.0 / 1.8, 999.016 * 141.5 / (34.0 + 131.5)),
}


@pytest.mark.parametrize("tag", EXPANSION)
def test_products_by_coefficient(demo: SiteSettings, tag: str) -> None:
    coefficient, reference_c, density = EXPANSION[tag]
    tank = _tank(demo, tag)
    method = tank.plan.product.method
    assert isinstance(method, ExpansionCoefficient)
    assert method.alpha_per_c == pytest.approx(coefficient, rel=1e-12)
    assert method.reference_temperature_c == pytest.approx(reference_c, abs=1e-12)
    given = tank.binding.reference_density
    assert given is not None
    assert given.value == pytest.approx(density, rel=1e-12)
    assert (given.entered is not None, given.substitutes) == (True, False)
    assert tank.binding.observed_density is None


# tag: density at a temperature, slope, dry substance
STRAIGHT_LINES = {
    "B-2": (545.0, 15.0, -1.2, None),
    "C-7": (1525.0, 20.0, -0.7, 0.5),
    "P-12": (889.6, 50.0, -0.67, None),
}


@pytest.mark.parametrize("tag", STRAIGHT_LINES)
def test_products_by_density_against_temperature(demo: SiteSettings, tag: str) -> None:
    density, temperature_c, slope, solute = STRAIGHT_LINES[tag]
    tank = _tank(demo, tag)
    method = tank.plan.product.method
    assert isinstance(method, LinearDensity)
    assert (method.density, method.temperature_c, method.slope_per_c) == (density, temperature_c, slope)
    assert method.reference_temperature_c is None
    assert tank.plan.product.solute_fraction == solute
    assert tank.binding.reference_density is None


def test_values_by_hand(demo: SiteSettings) -> None:
    hand = {tank.plan.tank: tank.binding.manual_temperature for tank in demo.tanks if tank.binding.manual_temperature}
    assert list(hand) == ["A-1"]
    assert hand["A-1"].value == 61.2
    assert hand["A-1"].substitutes
    assert hand["A-1"].entered is not None
    assert hand["A-1"].expires == hand["A-1"].entered + timedelta(hours=24)
    sediment = {tank.plan.tank: tank.binding.sediment_water for tank in demo.tanks if tank.binding.sediment_water}
    assert list(sediment) == ["F-1"]
    assert sediment["F-1"].value == 0.003


def test_periods_and_staleness(demo: SiteSettings) -> None:
    periods = {tank.plan.tank: tank.period_s for tank in demo.tanks}
    assert periods.pop("F-1") == 10.0
    assert set(periods.values()) == {2.0}
    heavy = _tank(demo, "F-1").binding
    assert heavy.level is not None
    assert heavy.level.stale_after_s == 60.0
    assert {source.stale_after_s for source in heavy.elements} == {180.0}
    assert heavy.level.overdue_after_s == 25.0
    assert {source.overdue_after_s for source in heavy.elements} == {150.0}
    assert {source.overdue_after_s for source in _tank(demo, "TK-101").binding.sources} == {10.0}
    limits_s = {tank.plan.tank: tank.plan.age_difference_limit_s for tank in demo.tanks}
    assert limits_s.pop("F-1") == 90.0, "one and a half of its profile's minute"
    assert set(limits_s.values()) == {60.0}
    assert all(instrument.timeout_s == 1.0 for line in demo.lines for instrument in line.instruments)


@pytest.mark.parametrize(
    ("flow_m3_h", "late_s", "quality"),
    [(0.0, 0.0, 0), (90.0, 0.0, 0), (1000.0, 0.0, 0), (0.0, 118.0, 0), (90.0, 118.0, 1), (1000.0, 118.0, 1)],
)
def test_a_profile_polled_each_minute_is_doubted_only_where_it_is_late_and_the_level_moves(
    demo: SiteSettings, flow_m3_h: float, late_s: float, quality: int
) -> None:
    """F-1 is 32 m wide: 90 m3/h are 1.9 mm a minute. Its level is polled each 10 s, its profile each 60 s; a profile
    118 s old beside a level that filled at 90 m3/h had been Good, since the limit was that of a stale one, 180 s."""
    plan = _tank(demo, "F-1").plan
    memory = EMPTY_MEMORY
    seen = []
    for index in range(60):
        level_m = round(11.204 + flow_m3_h / 3600.0 * index * 10.0 / (math.pi * 256.0), 4)
        age_s = late_s or index * 10.0 % 60.0 + 1.0
        given = TankInput(
            tank="F-1",
            instant=NOW + timedelta(seconds=10 * index),
            level=Input(level_m, Quality.GOOD, None, 0.1, "LT-F1.innage"),
            elements=tuple(Input(60.0, Quality.GOOD, None, age_s, "TT-F1.t") for _ in plan.temperature.elements),
            reference_density=Input(985.0, Quality.GOOD, None, 0.0, "site file", manual=True),
        )
        inventory, memory = calculate(plan, given, memory)
        seen.append(inventory.figures.liquid_temperature.quality)
    assert max(seen) == quality
    assert seen[-1] == quality


def test_lines(demo: SiteSettings) -> None:
    assert {line.name: (line.host, line.port) for line in demo.lines} == {
        "bus-a": ("127.0.0.1", 15020),
        "yard-1": ("127.0.0.1", 15021),
        "yard-2": ("127.0.0.1", 15022),
        "power": ("127.0.0.1", 15023),
    }
    assert {line.name: [(found.tag, found.unit) for found in line.instruments] for line in demo.lines} == {
        "bus-a": [("LT-101", 1), ("TT-101", 2), ("WT-101", 3), ("LT-3", 11), ("TT-3", 12)],
        "yard-1": [("XT-204", 1), ("XT-B2", 4), ("XT-C7", 5)],
        "yard-2": [("XT-P12", 6), ("IO-BO5", 7), ("XT-A1", 8)],
        "power": [("LT-F1", 21), ("TT-F1", 22), ("LT-D1A", 31), ("LT-D1B", 32), ("TT-D1", 33)],
    }


HOLDING, INPUT, DISCRETE = Table.HOLDING_REGISTERS, Table.INPUT_REGISTERS, Table.DISCRETE_INPUTS
OPEN_OR_SHORTED = (32767, -32768)


def _profile(
    table: Table, first: int, count: int, step: int, value_type: ValueType, order: ByteOrder = ByteOrder.ABCD
) -> dict[str, tuple[Table, int, ValueType, ByteOrder, tuple[int, ...]]]:
    sentinels = OPEN_OR_SHORTED if value_type is ValueType.INT16 else ()
    return {f"t{n + 1}": (table, first + n * step, value_type, order, sentinels) for n in range(count)}


# Instrument: signal: table, address, type, order, sentinels. From wiring.md.
WIRING: dict[str, dict[str, tuple[Table, int, ValueType, ByteOrder, tuple[int, ...]]]] = {
    "LT-101": {
        "ullage": (HOLDING, 0, ValueType.UINT32, ByteOrder.ABCD, (4294967295,)),
        "fault": (DISCRETE, 0, ValueType.BOOL, ByteOrder.ABCD, ()),
    },
    "TT-101": _profile(INPUT, 0, 5, 1, ValueType.INT16),
    "WT-101": {"water": (INPUT, 10, ValueType.UINT16, ByteOrder.ABCD, (65534,))},
    "LT-3": {
        "innage": (INPUT, 0, ValueType.FLOAT32, ByteOrder.ABCD, ()),
        "water": (INPUT, 2, ValueType.FLOAT32, ByteOrder.ABCD, ()),
    },
    "TT-3": _profile(INPUT, 0, 5, 2, ValueType.FLOAT32),
    "XT-204": {
        "innage": (HOLDING, 100, ValueType.FLOAT32, ByteOrder.CDAB, ()),
        "water": (HOLDING, 102, ValueType.FLOAT32, ByteOrder.CDAB, ()),
        "fault": (HOLDING, 104, ValueType.BOOL, ByteOrder.ABCD, ()),
        **_profile(HOLDING, 110, 5, 2, ValueType.FLOAT32, ByteOrder.CDAB),
    },
    "XT-B2": {
        "innage": (HOLDING, 0, ValueType.FLOAT32, ByteOrder.BADC, ()),
        "pressure": (HOLDING, 2, ValueType.FLOAT32, ByteOrder.BADC, ()),
        **_profile(HOLDING, 10, 4, 2, ValueType.FLOAT32, ByteOrder.BADC),
    },
    "XT-C7": {
        "pressure": (INPUT, 0, ValueType.UINT16, ByteOrder.ABCD, (65535,)),
        **_profile(INPUT, 10, 2, 1, ValueType.INT16),
    },
    "XT-P12": {
        "innage": (HOLDING, 0, ValueType.UINT32, ByteOrder.DCBA, (4294967295,)),
        **_profile(HOLDING, 20, 6, 1, ValueType.INT16),
    },
    "IO-BO5": {
        "innage": (INPUT, 0, ValueType.UINT16, ByteOrder.ABCD, ()),
        **_profile(INPUT, 8, 3, 1, ValueType.INT16),
    },
    "XT-A1": {
        "pressure": (INPUT, 0, ValueType.FLOAT64, ByteOrder.ABCD, ()),
        **_profile(INPUT, 4, 1, 1, ValueType.INT16, ByteOrder.BADC),
    },
    "LT-F1": {"innage": (HOLDING, 0, ValueType.INT64, ByteOrder.ABCD, (-9223372036854775808,))},
    "TT-F1": _profile(HOLDING, 0, 6, 2, ValueType.FLOAT32),
    "LT-D1A": {
        "innage": (INPUT, 0, ValueType.UINT16, ByteOrder.ABCD, (65535,)),
        "water": (INPUT, 1, ValueType.UINT16, ByteOrder.ABCD, (65534,)),
    },
    "LT-D1B": {"ullage": (INPUT, 0, ValueType.UINT16, ByteOrder.ABCD, (65535,))},
    "TT-D1": _profile(INPUT, 0, 6, 1, ValueType.INT16),
}


@pytest.mark.parametrize("tag", WIRING)
def test_registers(demo: SiteSettings, tag: str) -> None:
    signals = _instrument(demo, tag).map.signals
    found = {
        signal.name: (signal.table, signal.address, signal.type, signal.order, signal.sentinels) for signal in signals
    }
    assert found == WIRING[tag]


def _si(signal: Signal, number: float) -> float:
    return (number * signal.scale + signal.offset) * signal.si_factor + signal.si_offset


# Instrument, signal, number on the wire, what it means in SI: from the printed state of each tank.
READINGS = [
    ("LT-101", "ullage", 58_280, 5.828),
    ("TT-101", "t1", 141, 14.1),
    ("WT-101", "water", 35, 0.035),
    ("LT-3", "innage", 5.12, 5.12),
    ("XT-204", "water", 0.052, 0.052),
    ("XT-B2", "pressure", 5.4, 540_000.0),
    ("XT-C7", "pressure", 6815, 68_150.0),
    ("XT-P12", "innage", 9310, 9.31),
    ("XT-P12", "t6", -5, -0.5),
    ("XT-A1", "pressure", 5.176, 5176.0),
    ("LT-F1", "innage", 112_040, 11.204),
    ("LT-D1A", "innage", 6069, (31 * 12 + 7 + 5 / 16) * 0.0254),
    ("LT-D1A", "water", 24, 1.5 * 0.0254),
    ("LT-D1B", "ullage", 3431, (17 * 12 + 10 + 7 / 16) * 0.0254),
    ("TT-D1", "t1", 712, (71.2 - 32.0) / 1.8),
]


@pytest.mark.parametrize(("tag", "name", "number", "value"), READINGS)
def test_scaling(demo: SiteSettings, tag: str, name: str, number: float, value: float) -> None:
    signal = next(signal for signal in _instrument(demo, tag).map.signals if signal.name == name)
    assert _si(signal, number) == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_current_loop(demo: SiteSettings) -> None:
    signal = _instrument(demo, "IO-BO5").map.signals[0]
    assert signal.loop == CurrentLoop(0.0, 8.0)
    milliampere = 10_110 * signal.scale + signal.offset
    assert milliampere == pytest.approx(10.11, rel=1e-12)
    assert (milliampere - 4.0) / 16.0 * 8.0 == pytest.approx(3.055, abs=1e-9)


def test_faults_nothing_there_and_forbidden_registers(demo: SiteSettings) -> None:
    faults = {found.tag: found.map.fault_signals for line in demo.lines for found in line.instruments}
    assert {tag: names for tag, names in faults.items() if names} == {"LT-101": ("fault",), "XT-204": ("fault",)}
    fault = next(signal for signal in _instrument(demo, "XT-204").map.signals if signal.name == "fault")
    assert fault.bit == 3
    dry = {
        (found.tag, signal.name): signal.none_detected
        for line in demo.lines
        for found in line.instruments
        for signal in found.map.signals
        if signal.none_detected
    }
    assert dry == {("WT-101", "water"): (65535,), ("LT-D1A", "water"): (65535,)}
    assert _instrument(demo, "XT-C7").map.forbidden == ((INPUT, 1, 9),)
    others = [found for line in demo.lines for found in line.instruments if found.tag != "XT-C7"]
    assert not any(found.map.forbidden for found in others)


def test_temperatures_that_no_element_measures_are_refused(demo: SiteSettings) -> None:
    """An open element that reads 850 degC as a float is Bad, not an average."""
    for line in demo.lines:
        for found in line.instruments:
            for signal in found.map.signals:
                if signal.name.startswith("t"):
                    assert signal.minimum is not None
                    assert signal.maximum is not None
                    assert math.isclose(signal.minimum, -60.0)
                    assert signal.maximum < 850.0


def test_dates_can_be_made_fresh() -> None:
    path = config_path("demo", "site.yaml")
    entries = dated_entries(path)
    assert len(entries) == 9
    later = datetime(2031, 1, 1, tzinfo=UTC)
    fresh = load_site(path, dict.fromkeys(entries, later.isoformat()), now=later)
    assert fresh.warnings == ()
    density = _tank(fresh, "TK-101").binding.reference_density
    assert density is not None
    assert density.entered == later
    stale = load_site(path, now=later)
    assert len(stale.warnings) == 9
    assert all("expired on 202" in warning for warning in stale.warnings)


def test_ports_can_be_replaced() -> None:
    overrides = {"lines.bus-a.address": "127.0.0.1:40001", "delivery.mqtt.address": "127.0.0.1:40002"}
    settings = load_site(config_path("demo", "site.yaml"), overrides, now=NOW)
    assert settings.lines[0].port == 40001
    (mqtt,) = settings.brokers
    assert mqtt.port == 40002
