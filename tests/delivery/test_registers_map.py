"""The register map, read by what its own document says: a value and its quality together, Bad and stale without any."""

import math
import struct
from collections.abc import Callable
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.delivery.registers.document import map_csv, map_markdown
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.registers.layout import BLOCK, HEADER, LAST_BLOCK, ORDERS, PARTS, TANK_ALARMS
from gateway.delivery.registers.plan import RegistersPlan
from gateway.records import Figure, Figures, Inventory, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.status import AccountsStatus, OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, LimitTime, Motion, Priority, TankState
from tests.support.records import BOOT, NOON, bad, record, record_of, snapshot
from tests.support.register_map import RegisterMap

GOLDEN = Path(__file__).parent / "registers_map.csv"
NS = 1_000_000_000
_NO_REASON = Reason(ReasonCode.STALE, "old")


def plan(*tanks: str, order: str = "ABCD") -> RegistersPlan:
    blocks = tuple((tank, number) for number, tank in enumerate(tanks or ("TK-1",), start=1))
    return RegistersPlan("127.0.0.1", 5502, blocks, order)


@cache
def known(*tanks: str, order: str) -> RegisterMap:
    return RegisterMap(map_csv(plan(*tanks, order=order)))


class Site:
    """The registers of some tanks, and a reader that knows their document."""

    def __init__(self, *tanks: str, order: str = "ABCD") -> None:
        made = plan(*tanks, order=order)
        self.image = RegisterImage(dict(made.blocks), order)
        self.map = known(*tanks, order=order)
        self.now_ns = 0

    def bytes_of(self, tank: str) -> bytes:
        first, parts = self.map.first(tank), []
        for part in PARTS:
            data = self.image.read(first + part.first, part.size, self.now_ns)
            assert data is not None
            parts.append(data)
        return b"".join(parts)

    def numbers(self, tank: str = "TK-1") -> dict[str, float]:
        return self.map.numbers(tank, self.bytes_of(tank), self.map.first(tank))

    def site(self) -> dict[str, float]:
        data = self.image.read(0, HEADER, self.now_ns)
        assert data is not None
        return self.map.numbers("", data, 0)


def test_the_addresses_are_those_of_every_site_that_has_them_already() -> None:
    """Whoever connected a control system has them in its program: a change is another map version, or one behind."""
    assert map_csv(plan()).replace("\r\n", "\n") == GOLDEN.read_text("utf-8")


def test_no_two_fields_share_a_register_and_each_part_is_one_read() -> None:
    entries = RegisterMap(map_csv(plan("TK-1", "TK-2"))).entries
    taken = [address for each in entries for address in range(each.address, each.address + each.registers)]
    assert len(taken) == len(set(taken))
    assert max(taken) < 3 * BLOCK
    assert LAST_BLOCK * BLOCK + BLOCK <= 65_536
    assert all(part.size <= 125 for part in PARTS)
    for each in entries:
        offset = each.address % BLOCK
        (home,) = [part for part in PARTS if part.first <= offset < part.first + part.size]
        assert offset + each.registers <= home.first + home.size


def test_every_figure_and_every_alarm_of_a_tank_has_its_place() -> None:
    keys = {each.key for each in RegisterMap(map_csv(plan())).of("TK-1")}
    for name in (*Figures._fields, "rate", "level_rate"):
        assert {f"{name}.float", f"{name}.integer", f"{name}.quality", f"{name}.age"} <= keys
    of_gateway = {"line_lost", "second_master", "destination_lost", "history_at_risk", "clock_untrusted"}
    assert {*map(str, TANK_ALARMS), *of_gateway, "site_file_refused"} == {*map(str, AlarmKind)}


def test_the_document_says_what_it_is_not_for_and_where_each_tank_begins() -> None:
    text = map_markdown("harbour", plan("TK-1", "TK|2"))
    for words in ("Monitoring only.", "Not for control", "Not for custody transfer", "exception 11"):
        assert words in text
    assert "| TK-1 | 1 | 320 | 321 |" in text
    assert r"| TK\|2 | 2 | 640 | 641 |" in text
    assert len(RegisterMap(map_csv(plan())).cautions) == 3


@pytest.mark.parametrize("order", ORDERS)
def test_a_sheet_as_it_stands_in_the_registers(order: str) -> None:
    """Level 9.412 m is 94,120 steps of 0.1 mm; 14.756 degC 1,476 of 0.01 degC; 2,386.6349 m3 2,386,635 of a litre, and
    as room, which is rounded down, 2,386,634; 1,234,567.4 kg 1,234,567; 87.21 % 8,721."""
    site = Site(order=order)
    volume, temperature = (
        Figure(2386.6349, Quality.GOOD, (), 2.0),
        Figure(14.756, Quality.UNCERTAIN, (_NO_REASON,), 3.9),
    )
    mass, fill = Figure(1_234_567.4, Quality.GOOD, (), 2.0), Figure(0.8721, Quality.GOOD, (), 2.0)
    sheet = record("TK-1", 7, gsv=volume, room=volume, liquid_temperature=temperature, mass=mass, fill=fill, tov=bad())
    site.image.take(sheet, 0)
    site.now_ns = 2 * NS
    told = site.numbers()
    assert (told["main.validity"], told["main.sheet"], told["main.quality"]) == (1, 7, 0)
    assert (told["sheet_time"], told["sheet_age"]) == (NOON.timestamp() // 1, 2)
    assert told["level.float"] == pytest.approx(9.412, rel=1e-7)
    assert (told["level.integer"], told["level.quality"], told["level.age"]) == (94_120, 2, 4)
    assert (told["gsv.integer"], told["room.integer"]) == (2_386_635, 2_386_634)
    assert told["gsv.float"] == pytest.approx(2386.6349, rel=1e-7)
    assert (told["liquid_temperature.integer"], told["liquid_temperature.quality"]) == (1_476, 1)
    assert told["liquid_temperature.age"] == 5
    assert (told["mass.integer"], told["fill.integer"]) == (1_234_567, 8_721)
    assert math.isnan(told["tov.float"])
    assert (told["tov.integer"], told["tov.quality"]) == (-(2**31), 0)
    assert math.isnan(told["water_level.float"])
    assert (told["water_level.integer"], told["water_level.quality"]) == (-(2**31), 3), "this tank has none"
    assert told["vapour_temperature.integer"] == -(2**15)


_values = st.floats(-1e7, 1e7) | st.floats(allow_nan=False, allow_infinity=False)
_FIGURES = st.builds(
    lambda value, quality, age_s: Figure(value, quality, () if quality is Quality.GOOD else (_NO_REASON,), age_s),
    st.none() | _values,
    st.sampled_from(Quality),
    st.floats(0.0, 1e6) | st.just(math.inf),
)
"""Also Bad ones that keep a value, against the contract."""


@st.composite
def sheets(draw: st.DrawFn) -> Inventory:
    """Any figures, a few of them over and over."""
    few = draw(st.lists(_FIGURES, min_size=1, max_size=5))
    each = Figures(*(few[place % len(few)] for place in range(len(Figures._fields))))
    return record("TK-1").inventory._replace(figures=each, quality=max(figure.quality for figure in each))


@given(sheets(), st.floats(0.0, 9.0), st.sampled_from(sorted(ORDERS)))
def test_a_number_stands_there_exactly_where_its_quality_says_so(
    inventory: Inventory, later_s: float, order: str
) -> None:
    site = Site(order=order)
    site.image.take(record_of("harbour", BOOT, 1, inventory, 10.0), 0)
    site.now_ns = round(later_s * NS)
    told = site.numbers()
    for name, figure in zip(Figures._fields, inventory.figures, strict=True):
        number, whole = told[f"{name}.float"], told[f"{name}.integer"]
        entry = site.map.entry("TK-1", f"{name}.integer")
        none = int(entry.none.split(" ")[0])
        fits = figure.value is not None and abs(figure.value) <= 3.4028234e38
        if figure.quality is Quality.BAD or (figure.value is not None and not fits):
            assert told[f"{name}.quality"] == 0
        elif figure.value is None:
            assert told[f"{name}.quality"] == (3 if figure.quality is Quality.GOOD else 0)
        else:
            assert told[f"{name}.quality"] == {Quality.GOOD: 2, Quality.UNCERTAIN: 1}[figure.quality]
        if told[f"{name}.quality"] in (1, 2):
            assert figure.value is not None
            assert number == struct.unpack(">f", struct.pack(">f", figure.value))[0]
            if whole != none:
                step = float(entry.step or 1)
                slack = step * (1.0 if name in ("room", "pumpable") else 0.5) + abs(figure.value) * 1e-9
                assert abs(whole * step - figure.value) <= slack
            else:
                assert abs(figure.value) / float(entry.step or 1) > (2**15 if entry.form == "int16" else 2**31) - 2
        else:
            assert math.isnan(number)
            assert whole == none
        age = told[f"{name}.age"]
        if math.isinf(figure.age_s):
            assert age == 65_535
        else:
            # At a whole second either is right: the clock counts in nanoseconds, and ages come in floats.
            exact = figure.age_s + later_s
            assert age in {min(max(int(exact + slip), 0), 65_534) for slip in (-1e-6, 1e-6)}


def _moving(*alarms: AlarmStanding) -> TankState:
    rate = Figure(0.05, Quality.GOOD, (), 1.0)
    times = (LimitTime("high_high", 12.0, 3600.0, NOON + timedelta(hours=1)),)
    return TankState(Motion.FILLING, NOON, rate, Figure(0.0001, Quality.UNCERTAIN, (), 1.0), times, alarms=alarms)


def _alarm(kind: AlarmKind, phase: AlarmPhase, priority: Priority = Priority.NOW) -> AlarmStanding:
    return AlarmStanding(str(kind), kind, phase, priority, True, NOON)


def _with_state(sheet: TankRecord, state: TankState | None, **level_state: object) -> TankRecord:
    inventory = sheet.inventory
    changed = inventory.level_state._replace(**level_state)  # type: ignore[arg-type]
    return sheet._replace(state=state, inventory=inventory._replace(level_state=changed))


def _full(level: float = 9.412, sequence: int = 3) -> TankRecord:
    state = _moving(
        _alarm(AlarmKind.HIGH_HIGH, AlarmPhase.UNACKNOWLEDGED),
        _alarm(AlarmKind.WATER_HIGH, AlarmPhase.ACKNOWLEDGED, Priority.LOOK),
        _alarm(AlarmKind.DATA_STALE, AlarmPhase.SHELVED),
    )
    sheet = record("TK-1", sequence, level=Figure(level, Quality.GOOD, (), 2.0))
    return _with_state(
        sheet,
        state,
        limit=LimitState.ABOVE_HIGH_HIGH,
        roof=RoofZone.FLOATING,
        quality=Quality.GOOD,
        minimum_m=0.5,
        high_high_m=12.0,
    )


def _of_site(*kinds: AlarmKind, transfers: tuple[OpenTransfer, ...] = ()) -> object:
    alarms = tuple(
        AlarmNow("TK-1", _alarm(kind, AlarmPhase.NORMAL)._replace(is_active=False), "", "", None) for kind in kinds
    )
    own = AlarmNow("", _alarm(AlarmKind.LINE_LOST, AlarmPhase.UNACKNOWLEDGED, Priority.SOON), "", "", None)
    return snapshot()._replace(alarms=(*alarms, own), accounts=AccountsStatus(transfers))


def test_states_alarms_movement_and_transfers() -> None:
    site = Site("TK-1", "TK-2")
    transfers = tuple(
        OpenTransfer(number, kind, phase, tanks, NOON, "")
        for number, kind, phase, tanks in (
            (70_001, "receipt", "planned", ("TK-1",)),
            (70_002, "tank_to_tank", "running", ("TK-2", "TK-1")),
            (70_003, "dispatch", "settling", ("TK-1",)),
        )
    )
    site.image.take(_full(), 0)
    first = site.numbers()
    assert (first["alarm.high_high"], first["alarm.minimum"], first["transfers"]) == (2, 0, 65_535), "not known yet"
    site.image.hear(_of_site(AlarmKind.HIGH_HIGH, AlarmKind.MINIMUM, transfers=transfers), 0)  # type: ignore[arg-type]
    told = site.numbers()
    assert (told["limit_state"], told["roof"], told["motion"], told["alarms"], told["priority"]) == (4, 3, 2, 2, 4)
    assert told["rate.float"] == pytest.approx(0.05)
    assert (told["rate.integer"], told["rate.quality"], told["level_rate.integer"]) == (50_000, 2, 100)
    assert (told["limit.minimum.float"], told["limit.minimum.integer"]) == (0.5, 5_000)
    assert math.isnan(told["limit.critical_high.float"])
    assert (told["time.high_high"], told["time.minimum"]) == (3600, 2**32 - 1)
    alarms = [told[f"alarm.{name}"] for name in ("high_high", "water_high", "data_stale", "minimum", "slow_loss")]
    assert alarms == [2, 3, 5, 1, 8], "unacknowledged, acknowledged, shelved, normal, not set up"
    assert [told[f"alarms.{each}"] for each in ("now", "soon", "look", "hidden")] == [1, 0, 1, 1]
    assert told["transfers"] == 3
    assert [told[f"transfer.1.{each}"] for each in ("number", "kind", "phase")] == [70_002, 3, 3]
    assert [told[f"transfer.2.{each}"] for each in ("number", "kind", "phase")] == [70_003, 2, 5], (
        "what is planned comes last"
    )
    other = site.numbers("TK-2")
    assert (other["main.validity"], other["limit_state"], other["alarms"], other["transfers"]) == (0, 0, 65_535, 65_535)
    of_all = site.site()
    assert [of_all[f"alarms.{each}"] for each in ("now", "soon", "look", "gateway", "hidden")] == [0, 1, 0, 1, 0]
    assert (of_all["transfers"], of_all["lines"], of_all["lines.lost"]) == (3, 1, 0)


def test_alarms_that_a_site_file_takes_away_and_adds_are_told_and_so_is_one_that_has_gone() -> None:
    site = Site()
    site.image.take(_full(), 0)
    heard = _of_site(AlarmKind.MINIMUM), _of_site(AlarmKind.MINIMUM), _of_site(AlarmKind.SLOW_LOSS), snapshot()
    found = []
    for each in heard:
        site.now_ns += NS
        site.image.hear(each, site.now_ns)  # type: ignore[arg-type]
        told = site.numbers()
        found.append((told["alarm.minimum"], told["alarm.slow_loss"], site.site()["alarms.gateway"]))
    assert found == [(1, 8, 1), (1, 8, 1), (8, 1, 1), (8, 8, 0)], "1 normal, 8 not set up"


@given(sheets(), sheets(), st.booleans())
def test_of_what_is_not_the_present_nothing_is_left_in_the_registers(
    one: Inventory, other: Inventory, is_last_word: bool
) -> None:
    """Two tanks in whatever state are the same, register by register, once nobody says any more how they stand."""
    blocks = []
    for inventory in (one, other):
        site = Site()
        same = inventory
        if is_last_word:
            lost = bad(Reason(ReasonCode.NOT_WATCHED, "the gateway was stopped"))
            same = same._replace(figures=Figures(*(lost for _ in Figures._fields)), quality=Quality.BAD)
        else:
            aged = [figure._replace(age_s=2.0) for figure in same.figures]
            same = same._replace(figures=Figures(*aged))
        site.image.take(record_of("harbour", BOOT, 1, same, 10.0)._replace(state=_full().state), 0)
        site.image.hear(_of_site(AlarmKind.MINIMUM), 0)  # type: ignore[arg-type]
        site.now_ns = 5 * NS if is_last_word else 10 * NS + 1
        told = site.numbers()
        assert told["main.validity"] == (3 if is_last_word else 2)
        assert {told[f"{name}.quality"] for name in (*Figures._fields, "rate", "level_rate", "main")} == {0}
        assert all(math.isnan(number) for key, number in told.items() if key.endswith(".float"))
        blocks.append([number for key, number in told.items() if not key.endswith((".float", ".age"))])
    assert blocks[0] == blocks[1]


def test_a_sheet_holds_as_long_as_it_says_by_the_time_of_the_site() -> None:
    """10 s; where the site's time passes 30 times as fast, a third of a second."""
    for factor, last_ns in ((1.0, 10 * NS), (30.0, NS // 3)):
        site = Site()
        site.image.hear(snapshot()._replace(time_factor=factor), 0)
        site.image.take(record("TK-1", 1), 0)
        site.now_ns = last_ns
        assert site.numbers()["level.quality"] == 2
        site.now_ns = last_ns + NS // 100
        told = site.numbers()
        assert (told["main.validity"], told["level.quality"], told["main.quality"]) == (2, 0, 0)
        assert site.site()["tanks.bad"] == 1
    site = Site()
    site.image.take(record("TK-1", 1)._replace(valid_for_s=None), 0)
    assert site.numbers()["main.validity"] == 2, "nobody says how long it holds"


def test_the_heartbeat_beats_with_the_sheets_of_any_tank_and_stands_still_without() -> None:
    site = Site("TK-1")
    assert [site.site()[key] for key in ("heartbeat", "heartbeat_age", "map_version")] == [0, 65_535, 1]
    for number in range(3):
        site.image.take(record(f"TK-{number}", 1), number * NS)
    site.now_ns = 7 * NS
    assert [site.site()[key] for key in ("heartbeat", "heartbeat_age")] == [3, 5]
    site.now_ns = 100 * NS
    told = site.site()
    assert [told[key] for key in ("heartbeat", "heartbeat_age", "tanks", "tanks.good", "tanks.bad")] == [3, 98, 1, 0, 1]
    assert (told["test.float"], told["test.integer"]) == (1234.5, -123_456)


def test_the_time_and_the_simulation_are_told_once_the_site_was_heard() -> None:
    site = Site()
    assert (site.site()["time"], site.site()["origin"], site.site()["lines"]) == (2**32 - 1, 0, 65_535)
    site.image.hear(snapshot(simulated=True), site.now_ns)
    site.now_ns += 3 * NS
    told = site.site()
    assert (told["time"], told["origin"]) == (int(NOON.timestamp() + 3), 2)
    assert told["started"] == 1_773_480_000
    site.image.take(record("TK-1", 1, simulated=True), site.now_ns)
    assert site.numbers()["origin"] == 2
    site.image.take(record("TK-1", 2), site.now_ns)
    assert site.numbers()["origin"] == 1


def test_what_is_in_no_block_is_not_read_and_what_spans_two_is() -> None:
    site = Site("TK-1", "TK-2")
    read: Callable[[int, int], bytes | None] = lambda address, count: site.image.read(address, count, 0)  # noqa: E731
    assert read(HEADER - 1, 1) is not None
    assert read(HEADER, 1) is None
    assert read(HEADER - 1, 2) is None
    assert read(BLOCK - 1, 2) is None
    spanning = read(2 * BLOCK - 5, 10)
    ends, begins = read(2 * BLOCK - 5, 5), read(2 * BLOCK, 5)
    assert ends is not None
    assert begins is not None
    assert spanning == ends + begins
    assert read(3 * BLOCK - 1, 2) is None
    assert read(65_535, 125) is None


def test_the_parts_of_a_block_tell_whether_they_are_of_one_sheet() -> None:
    site = Site()
    site.image.take(record("TK-1", 2**32 + 5), 0)
    told = site.numbers()
    assert {told[f"{part}.sheet"] for part in ("main", "details", "states")} == {5}
    assert {told[f"{part}.validity"] for part in ("main", "details", "states")} == {1}
