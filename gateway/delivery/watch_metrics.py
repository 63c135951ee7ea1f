"""Pure: how tanks move and which alarms stand, for Prometheus. What is not known, and what is normal, is absent."""

from collections.abc import Iterator, Sequence

from gateway.delivery.exposition import family, label_text, sample
from gateway.records import Quality
from gateway.status import GatewaySnapshot
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmPhase, Motion

__all__ = ["watch_metrics"]

_MOTIONS = {Motion.EMPTYING: -1, Motion.AT_REST: 0, Motion.FILLING: 1}
_PHASES = {
    AlarmPhase.UNACKNOWLEDGED: 1,
    AlarmPhase.ACKNOWLEDGED: 2,
    AlarmPhase.RETURNED: 3,
    AlarmPhase.SHELVED: 4,
    AlarmPhase.SUPPRESSED: 5,
    AlarmPhase.OUT_OF_SERVICE: 6,
}
_PHASE = (
    "1 unacknowledged, 2 acknowledged, 3 returned and not acknowledged, 4 shelved, 5 suppressed by design, 6 out of "
    "service; absent while it is normal."
)


def watch_metrics(labelled: Sequence[tuple[TankRecord, str]], snapshot: GatewaySnapshot) -> Iterator[str]:
    """Lines of text format 0.0.4. `labelled`: each record with its labels as text."""
    moving = [(record.state, labels) for record, labels in labelled if record.state is not None]
    yield from family(
        "tank_motion",
        "gauge",
        "-1 emptying, 0 at rest, 1 filling; absent while that is not known.",
        (sample("tank_motion", labels, _MOTIONS[state.motion]) for state, labels in moving if state.motion in _MOTIONS),
    )
    yield from family(
        "tank_net_flow_cubic_metres_per_second",
        "gauge",
        "Net flow rate of observed volume into the tank; below zero out of it.",
        (
            sample("tank_net_flow_cubic_metres_per_second", labels, state.rate.value)
            for state, labels in moving
            if state.rate.value is not None and state.rate.quality is not Quality.BAD
        ),
    )
    yield from family(
        "tank_limit_seconds",
        "gauge",
        "Until the level comes to a limit, at the rate of now; absent where none is ahead or that is not known.",
        (
            f'tank_limit_seconds{{limit="{time.limit}",{labels}}} {time.in_s!r}\n'
            for state, labels in moving
            for time in state.times
        ),
    )
    yield from family(
        "tank_alarm_phase",
        "gauge",
        f"How an alarm of a tank stands: {_PHASE}",
        (
            f'tank_alarm_phase{{alarm="{alarm.name}",priority="{alarm.priority}",{labels}}} {_PHASES[alarm.phase]}\n'
            for state, labels in moving
            for alarm in state.alarms
        ),
    )
    yield from family(
        "tank_gateway_alarm_phase",
        "gauge",
        f"How an alarm of the gateway itself stands: {_PHASE}",
        (
            sample(
                "tank_gateway_alarm_phase",
                label_text(site=snapshot.site, alarm=alarm.standing.name, priority=alarm.standing.priority.value),
                _PHASES[alarm.standing.phase],
            )
            for alarm in snapshot.alarms
            if not alarm.tank and alarm.standing.phase in _PHASES
        ),
    )
