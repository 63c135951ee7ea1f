"""Movement and alarms as metrics: what is not known, and what is normal, is absent. Judged by promtool and a parser."""

from datetime import timedelta

from prometheus_client.parser import text_string_to_metric_families

from gateway.delivery.metrics import Metrics
from gateway.records import Figure, Quality, ReasonCode, because
from gateway.status import GatewaySnapshot
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, LimitTime, Motion, Priority, TankState
from tests.support.promtool import lint_metrics
from tests.support.records import NOON, record, snapshot

TOO_SOON = Figure(None, Quality.BAD, (because(ReasonCode.TOO_SOON, "too soon"),), 0.0)


def standing(kind: AlarmKind, phase: AlarmPhase, name: str = "") -> AlarmStanding:
    return AlarmStanding(name or kind.value, kind, phase, Priority.NOW, True, NOON)


def state(motion: Motion, rate: Figure, *alarms: AlarmStanding, times: tuple[LimitTime, ...] = ()) -> TankState:
    return TankState(motion, NOON, rate, rate, times, "", alarms)


def whole() -> GatewaySnapshot:
    ahead = LimitTime("high_high", 9.3, 600.0, NOON + timedelta(seconds=600))
    rate = Figure(0.0833, Quality.GOOD, (), 0.0)
    filling = state(Motion.FILLING, rate, standing(AlarmKind.HIGH_HIGH, AlarmPhase.ACKNOWLEDGED), times=(ahead,))
    records = (
        record("TK-1")._replace(state=filling),
        record("TK-2")._replace(state=state(Motion.UNKNOWN, TOO_SOON)),
        record("TK-3"),
        record("TK-4")._replace(state=state(Motion.AT_REST, Figure(0.0, Quality.UNCERTAIN, (), 0.0))),
    )
    own = standing(AlarmKind.LINE_LOST, AlarmPhase.UNACKNOWLEDGED, "line_lost.bus")
    well = standing(AlarmKind.CLOCK_UNTRUSTED, AlarmPhase.NORMAL)
    alarms = tuple(AlarmNow("", each, "c", "a", None) for each in (own, well))
    return snapshot(*records)._replace(alarms=alarms)


def samples(text: bytes) -> dict[tuple[str, ...], float]:
    found = {}
    for family in text_string_to_metric_families(text.decode()):
        for each in family.samples:
            labels = [value for name, value in each.labels.items() if name in ("tank", "limit", "alarm", "priority")]
            found[each.name, *labels] = each.value
    return found


def test_movement_and_alarms_of_each_tank() -> None:
    text = Metrics(whole).render()
    assert lint_metrics(text) == []
    names = ("tank_motion", "tank_net_flow", "tank_limit_seconds", "tank_alarm", "tank_gateway_alarm")
    assert {key: value for key, value in samples(text).items() if key[0].startswith(names)} == {
        ("tank_motion", "TK-1"): 1.0,
        ("tank_motion", "TK-4"): 0.0,
        ("tank_net_flow_cubic_metres_per_second", "TK-1"): 0.0833,
        ("tank_net_flow_cubic_metres_per_second", "TK-4"): 0.0,
        ("tank_limit_seconds", "high_high", "TK-1"): 600.0,
        ("tank_alarm_phase", "high_high", "now", "TK-1"): 2.0,
        ("tank_gateway_alarm_phase", "line_lost.bus", "now"): 1.0,
    }
