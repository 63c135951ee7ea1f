"""One moment of one tank, read through everything it goes out by, under the names that the one table gives.

Each reader here knows its own protocol and the table of `tank-gateway delivery map --of names`, nothing else. They must
agree on every figure: whether there is a number, which, and how good it is.
"""

import math
from collections.abc import Mapping
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from gateway.delivery.figure_names import named
from gateway.delivery.metrics import Metrics
from gateway.delivery.postgresql.rows import RECORD_COLUMNS, record_row
from gateway.delivery.registers.document import map_csv
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.registers.plan import RegistersPlan
from gateway.figures import FIGURE_DEFINITIONS, tank_quality
from gateway.history import KeptRecord
from gateway.payload.writer import inventory_json
from gateway.records import Figure, Figures, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Motion, Priority, TankState
from tests.support.records import NOON, record, snapshot
from tests.support.register_map import RegisterMap

Told = tuple[float | None, str]
"""A number or none, and Good, Uncertain or Bad."""

ROWS = {row.key: row for row in named({})}
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
        plan = RegistersPlan("127.0.0.1", 5502, (("TK-1", 1),), "BADC")
        image, known = RegisterImage({"TK-1": 1}, plan.order), RegisterMap(map_csv(plan))
        image.take(sheet, 0)
        data = b"".join(image.read(320 + first, 80, 0) or b"" for first in range(0, 320, 80))
        self.registers = known.numbers("TK-1", data, 320)

    def sample(self, name: str, **labels: str) -> float | None:
        found = [each.value for each in self.samples if each.name == name and labels.items() <= each.labels.items()]
        assert len(found) <= 1
        return found[0] if found else None

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

    def by_registers(self, key: str) -> Told:
        name = ROWS[key].names["registers"]
        number = self.registers[f"{name}.float"]
        quality = {0: "Bad", 1: "Uncertain", 2: "Good", 3: "Good"}[int(self.registers[f"{name}.quality"])]
        return None if math.isnan(number) else number, quality


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
        readers = (moment.by_json, moment.by_prometheus, moment.by_sql, moment.by_registers)
        for told in (reader(name) for reader in readers):
            assert told[1] == wanted[1], name
            assert (told[0] is None) is (value is None), name
            if value is not None:
                # float32 has 24 bits: to one part in 2**24.
                assert told[0] == pytest.approx(value, rel=2**-24, abs=1e-38), name


def _state(motion: Motion, phase: AlarmPhase) -> TankState:
    rate = Figure(0.0125, Quality.UNCERTAIN, (_UNCERTAIN,), 1.0)
    alarm = AlarmStanding("high_high", AlarmKind.HIGH_HIGH, phase, Priority.NOW, True, NOON)
    return TankState(motion, NOON, rate, Figure(None, Quality.BAD, (_BAD,), 1.0), (), alarms=(alarm,))


@pytest.mark.parametrize("limit", LimitState)
@pytest.mark.parametrize("roof", [None, *RoofZone])
def test_every_state_is_the_same_wherever_it_is_told(limit: LimitState, roof: RoofZone | None) -> None:
    known = RegisterMap(map_csv(RegistersPlan("127.0.0.1", 5502, (("TK-1", 1),))))
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
        assert code == known.entry("TK-1", "limit_state").codes[limit.value.replace("_", " ")]
        word, code = told("roof")
        assert word == moment.sql["roof_zone"] == (None if roof is None else roof.value)
        words = "none, or unknown" if roof is None else roof.value.replace("_", " ")
        assert code == known.entry("TK-1", "roof").codes[words]
        word, code = told("motion")
        assert (word, code) == (motion.value, known.entry("TK-1", "motion").codes[motion.value.replace("_", " ")])
        number = {Motion.EMPTYING: -1, Motion.AT_REST: 0, Motion.FILLING: 1}.get(motion)
        assert moment.sample(ROWS["motion"].names["Prometheus"]) == number
        (alarm,) = moment.json["state"]["alarms"]
        entry = known.entry("TK-1", ROWS["alarms.high_high"].names["registers"])
        assert alarm["phase"] == phase.value
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
        assert told("simulated") == (True, known.entry("TK-1", "origin").codes["simulated"])
        assert {each.labels.get("simulated") for each in moment.samples if each.name == "tank_quality"} == {"true"}
        assert told("time")[1] == NOON.timestamp() // 1
        assert moment.sample(ROWS["time"].names["Prometheus"]) == NOON.timestamp()
