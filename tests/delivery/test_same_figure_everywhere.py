"""One moment of one tank, read through everything it goes out by, under the names that the one table gives.

Each reader here knows its own protocol and the table of `tank-gateway delivery map --of names`, nothing else. They must
agree on every figure: whether there is a number, which, and how good it is.
"""

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from gateway.delivery.figure_names import named
from gateway.delivery.metrics import Metrics
from gateway.delivery.opcua import names as opcua
from gateway.delivery.postgresql.rows import RECORD_COLUMNS, record_row
from gateway.delivery.registers import names as registers
from gateway.delivery.registers.document import map_csv
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug import names as sparkplug
from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.encoding import birth
from gateway.delivery.sparkplug.tank_metrics import tank_metrics
from gateway.figures import FIGURE_DEFINITIONS, tank_quality
from gateway.history import KeptRecord
from gateway.payload.writer import inventory_json
from gateway.records import Figure, Figures, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Motion, Priority, TankState
from tests.support.opcua_peer import peer
from tests.support.opcua_yard import node, plan_for, sheet, yard
from tests.support.records import NOON, record, snapshot
from tests.support.register_map import RegisterMap
from tests.support.sparkplug_wire import decoded

Told = tuple[float | None, str]
"""A number or none, and Good, Uncertain or Bad."""

PLAN = RegistersPlan("127.0.0.1", 5502, (("TK-1", 1),), "BADC")
MAP = RegisterMap(map_csv(PLAN))
ROWS = {row.key: row for row in named()}
_UNCERTAIN, _BAD = Reason(ReasonCode.STALE, "old"), Reason(ReasonCode.NO_ANSWER, "no answer")
_NOT_FITTED = Reason(ReasonCode.NOT_APPLICABLE, "not fitted on this tank")


def _by_json(document: Mapping[str, Any], name: str) -> Any:
    found: Any = document
    for part in name.split("."):
        found = found[part]
    return found


class Moment:
    """A record as each of the readers sees it."""

    def __init__(self, sheet: TankRecord) -> None:
        site = snapshot(sheet)
        self.json = orjson.loads(inventory_json(sheet))
        text = Metrics(lambda: site).render().decode()
        self.samples = [each for family in text_string_to_metric_families(text) for each in family.samples]
        self.sql = dict(zip(RECORD_COLUMNS, record_row(KeptRecord(1, sheet, None)), strict=True))
        image = RegisterImage({"TK-1": 1}, PLAN.order)
        image.take(sheet, 0)
        data = b"".join(image.read(320 + first, 80, 0) or b"" for first in range(0, 320, 80))
        self.registers = MAP.numbers("TK-1", data, 320)
        told = birth("TK-1", tank_metrics(sheet), Aliases(), 1, 1, simulated=sheet.inventory.simulated)
        self.metrics = {each["name"]: each for each in decoded(told)["metrics"]}

    def sample(self, name: str, **labels: str) -> float | None:
        found = [each.value for each in self.samples if each.name == name and labels.items() <= each.labels.items()]
        assert len(found) <= 1
        return found[0] if found else None

    @property
    def readers(self) -> "tuple[Callable[[str], Told], ...]":
        return self.by_json, self.by_prometheus, self.by_sql, self.by_sparkplug, self.by_registers

    def by_json(self, key: str) -> Told:
        told = _by_json(self.json, ROWS[key].names["JSON"])
        return told["value"], told["quality"]

    def by_prometheus(self, key: str) -> Told:
        """Masses and densities in g. What is Good has no series of its quality, and may have no number either."""
        (definition,) = (each for each in FIGURE_DEFINITIONS if each.name == key)
        value = self.sample(ROWS[key].names["Prometheus"])
        quality = self.sample("tank_figure_quality", figure=key)
        grams = 1000.0 if "grams" in definition.metric else 1.0
        return None if value is None else value / grams, Quality(int(quality or 0)).word

    def by_sql(self, key: str) -> Told:
        column = ROWS[key].names["SQL"].removeprefix("records.")
        return self.sql[column], self.sql[f"{key}_quality"]

    def by_sparkplug(self, key: str) -> Told:
        """192 is Good; 500 is Uncertain or stale, which a property of its own tells apart; 0 is Bad."""
        metric = self.metrics[ROWS[key].names["Sparkplug"]]
        properties = dict(zip(metric["properties"]["keys"], metric["properties"]["values"], strict=True))
        quality = properties["Quality"]["int_value"]
        stated = properties.get("stated_quality", {}).get("string_value")
        word = {192: "Good", 500: "Uncertain", 0: "Bad"}[quality]
        assert stated == (None if word == "Good" else word)
        return None if metric.get("is_null") else metric["double_value"], word

    def by_registers(self, key: str) -> Told:
        name = ROWS[key].names["registers"]
        number = self.registers[f"{name}.float"]
        quality = {0: "Bad", 1: "Uncertain", 2: "Good", 3: "Good"}[int(self.registers[f"{name}.quality"])]
        return None if math.isnan(number) else number, quality


def assert_same(told: Told, wanted: Told, name: str) -> None:
    """The quality to the letter; the number to one part in 2**24, which is what float32 has."""
    assert told[1] == wanted[1], name
    assert (told[0] is None) is (wanted[0] is None), name
    if wanted[0] is not None:
        assert told[0] == pytest.approx(wanted[0], rel=2**-24, abs=1e-38), name


_FIGURES = st.one_of(
    st.builds(Figure, st.floats(-1e7, 1e7), st.just(Quality.GOOD), st.just(()), st.floats(0.0, 60.0)),
    st.builds(Figure, st.floats(-1e7, 1e7), st.just(Quality.UNCERTAIN), st.just((_UNCERTAIN,)), st.floats(0.0, 60.0)),
    st.just(Figure(None, Quality.BAD, (_BAD,), 75.0)),
    st.just(Figure(None, Quality.GOOD, (_NOT_FITTED,), 0.0)),
    # Against the contract of records; it must not leave all the same.
    st.just(Figure(123.0, Quality.BAD, (_BAD,), 75.0)),
)


@given(st.lists(_FIGURES, min_size=1, max_size=5))
def test_every_figure_is_the_same_wherever_it_is_told(few: list[Figure]) -> None:
    each = Figures(*(few[place % len(few)] for place in range(len(Figures._fields))))
    sheet = record("TK-1")
    moment = Moment(sheet._replace(inventory=sheet.inventory._replace(figures=each, quality=tank_quality(each))))
    for name, figure in zip(Figures._fields, each, strict=True):
        value = None if figure.quality is Quality.BAD else figure.value
        wanted = (value, figure.quality.word)
        for told in (reader(name) for reader in moment.readers):
            assert_same(told, wanted, name)


def _state(motion: Motion, phase: AlarmPhase) -> TankState:
    rate = Figure(0.0125, Quality.UNCERTAIN, (_UNCERTAIN,), 1.0)
    alarm = AlarmStanding("high_high", AlarmKind.HIGH_HIGH, phase, Priority.NOW, True, NOON)
    return TankState(motion, NOON, rate, Figure(None, Quality.BAD, (_BAD,), 1.0), (), alarms=(alarm,))


@pytest.mark.parametrize("limit", LimitState)
@pytest.mark.parametrize("roof", [None, *RoofZone])
def test_every_state_is_the_same_wherever_it_is_told(limit: LimitState, roof: RoofZone | None) -> None:
    motions = [*Motion] * 2
    phases = [phase for phase in AlarmPhase if phase is not AlarmPhase.NORMAL]
    for motion, phase in zip(motions, phases, strict=False):
        sheet = record("TK-1", 41, simulated=True)
        levels = LevelState(limit, roof, Quality.GOOD, 0.5, None, 12.0, None)
        sheet = sheet._replace(state=_state(motion, phase), inventory=sheet.inventory._replace(level_state=levels))
        moment = Moment(sheet)

        def told(key: str, moment: Moment = moment) -> tuple[Any, float]:
            """As JSON has it, and the code in the registers that the document gives the same word."""
            name = ROWS[key].names["registers"]
            return _by_json(moment.json, ROWS[key].names["JSON"]), moment.registers[name]

        word, code = told("limit")
        assert (word, moment.sql["limit_state"]) == (limit.value, limit.value)
        assert code == MAP.entry("TK-1", "limit_state").codes[limit.value.replace("_", " ")]
        word, code = told("roof")
        assert word == moment.sql["roof_zone"] == (None if roof is None else roof.value)
        words = "none, or unknown" if roof is None else roof.value.replace("_", " ")
        assert code == MAP.entry("TK-1", "roof").codes[words]
        word, code = told("motion")
        assert (word, code) == (motion.value, MAP.entry("TK-1", "motion").codes[motion.value.replace("_", " ")])
        number = {Motion.EMPTYING: -1, Motion.AT_REST: 0, Motion.FILLING: 1}.get(motion)
        assert moment.sample(ROWS["motion"].names["Prometheus"]) == number
        (alarm,) = moment.json["state"]["alarms"]
        entry = MAP.entry("TK-1", ROWS["alarms.high_high"].names["registers"])
        assert alarm["phase"] == phase.value
        assert moment.metrics[ROWS["alarms.high_high"].names["Sparkplug"]]["string_value"] == phase.value
        assert moment.metrics[ROWS["motion"].names["Sparkplug"]].get("string_value") == (
            None if motion is Motion.UNKNOWN else motion.value
        )
        assert moment.registers[entry.key] == entry.codes[phase.value]
        assert moment.sample("tank_alarm_phase", alarm="high_high") == list(AlarmPhase).index(phase)
        for name in ("minimum", "maximum_working", "high_high", "critical_high"):
            wanted = getattr(levels, f"{name}_m")
            row = ROWS[f"limits.{name}"].names
            limit_m = moment.registers[f"{row['registers']}.float"]
            assert _by_json(moment.json, row["JSON"]) == wanted
            assert moment.sql[row["SQL"].removeprefix("records.")] == wanted
            assert moment.sample("tank_limit_metres", limit=name) == wanted
            assert (None if math.isnan(limit_m) else limit_m) == wanted
        rate = _by_json(moment.json, ROWS["rate"].names["JSON"])
        assert (rate["value"], rate["quality"]) == (0.0125, "Uncertain")
        assert moment.sample(ROWS["rate"].names["Prometheus"]) == 0.0125
        assert moment.registers["rate.float"] == pytest.approx(0.0125)
        assert moment.registers["rate.quality"] == 1
        assert math.isnan(moment.registers["level_rate.float"])
        assert (moment.json["quality"], moment.sql["quality"]) == ("Good", "Good")
        assert (moment.registers["main.quality"], moment.sample("tank_quality")) == (2, 0)
        assert told("sequence") == (41, 41)
        assert told("simulated") == (True, MAP.entry("TK-1", "origin").codes["simulated"])
        assert {each.labels.get("simulated") for each in moment.samples if each.name == "tank_quality"} == {"true"}
        assert told("time")[1] == NOON.timestamp() // 1
        assert moment.sample(ROWS["time"].names["Prometheus"]) == NOON.timestamp()


async def test_a_client_of_opc_ua_is_told_the_same_too(tmp_path: Path) -> None:
    """node-opcua at the real server, beside all others: figures of every quality, one sheet."""
    few = (
        Figure(9.412, Quality.GOOD, (), 0.0),
        Figure(812.5, Quality.UNCERTAIN, (_UNCERTAIN,), 0.0),
        Figure(None, Quality.BAD, (_BAD,), 0.0),
        Figure(None, Quality.GOOD, (_NOT_FITTED,), 0.0),
    )
    given: dict[str, Any] = {name: few[place % len(few)] for place, name in enumerate(Figures._fields)}
    told = sheet("TK-1", 7, **given)
    told = told._replace(state=_state(Motion.FILLING, AlarmPhase.UNACKNOWLEDGED))
    moment = Moment(told)
    names = [*Figures._fields, "rate", "level_rate"]
    async with yard(plan_for(tmp_path)) as made, peer() as client:
        await client.ask("connect", url=made.url)
        made.made.offer(told)
        await made.told()
        found = await client.ask("read", nodes=[node(f"TK-1/{ROWS[name].names['OPC UA']}") for name in names])
        states = await client.ask(
            "read", nodes=[node(f"TK-1/{ROWS[key].names['OPC UA']}") for key in ("motion", "quality", "simulated")]
        )
    for name, each in zip(names, found["values"], strict=True):
        (word,) = (word for word in ("Good", "Uncertain", "Bad") if each["status"].startswith(word))
        readers = moment.readers if name in Figures._fields else (moment.by_json, moment.by_registers)
        for reader in readers:
            assert_same(reader(name), (each["value"], word), name)
    assert [each["value"] for each in states["values"]] == ["filling", "Bad", False]


def test_no_name_of_another_protocol_is_left_out_of_the_table() -> None:
    for place, names in (("Sparkplug", sparkplug.NAMES), ("OPC UA", opcua.NAMES), ("registers", registers.NAMES)):
        told = {row.names[place] for row in ROWS.values() if place in row.names}
        assert told == set(names.values()), place
