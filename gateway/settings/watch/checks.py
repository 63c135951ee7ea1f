"""Checks of the keys of `watch` by themselves, whatever the tank is."""

from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.watch.defaults import NEVER_DELAYED
from gateway.settings.watch.models import AlarmModel, SiteWatchModel, TankAlarmsModel, TankWatchModel
from gateway.tank_state import AlarmKind

__all__ = ["LEAST_RESPONSE_S", "check_alarms", "check_course"]

LEAST_RESPONSE_S = 900.0
"""The shortest default response time of API 2350's categories, as quoted publicly: 45, 30 and 15 min for categories 1
to 3 (from memory; the standard itself was not read)."""
_WINDOW_S = (60.0, 3600.0)
_LONGEST_DELAY_S = 3600.0
_ARMS_S = (300.0, 86_400.0)
_DEVIATION_M = (0.001, 1.0)
_MOST_PER_YEAR = 365.0
_LEFT_OUT = "is left out by wanted: no; leave the other keys out too, or wanted"


def check_course(model: SiteWatchModel | TankWatchModel, document: Document, path: KeyPath, mistakes: Mistakes) -> None:
    """Window, rate from which a tank moves, unscheduled movement and loss."""

    def wrong(*keys: str, text: str) -> None:
        mistakes.add((*path, *keys), f"{document.text((*path, *keys))} {text}")

    if model.window is not None and not _WINDOW_S[0] <= model.window <= _WINDOW_S[1]:
        wrong("window", text="is no time to work a flow rate out over; give 1 min to 1 h")
    if isinstance(model, TankWatchModel) and model.moving is not None and model.moving <= 0.0:
        wrong("moving", text="is no flow; give more than zero, or leave it out")
    for name, block in (("unscheduled", model.unscheduled), ("loss", model.loss)):
        if block is not None and not block.wanted and block.model_fields_set - {"wanted"}:
            mistakes.add((*path, name), _LEFT_OUT)
    if model.unscheduled is not None:
        after, deviation = model.unscheduled.after, model.unscheduled.deviation
        if after is not None and not _ARMS_S[0] <= after <= _ARMS_S[1]:
            wrong("unscheduled", "after", text="is no time for a tank to come to rest; give 5 min to 24 h")
        if deviation is not None and not _DEVIATION_M[0] <= deviation <= _DEVIATION_M[1]:
            wrong("unscheduled", "deviation", text="cannot be told from what a gauge does; give 1 mm to 1 m")
    if model.loss is not None:
        rate = model.loss.false_alarms_per_year
        if rate is not None and not 0.0 < rate <= _MOST_PER_YEAR:
            wrong("loss", "false_alarms_per_year", text="is no rate of alarms; give more than 0 and at most 365")


def check_alarms(alarms: TankAlarmsModel, document: Document, path: KeyPath, mistakes: Mistakes) -> None:
    """Each alarm that is given: what is left out has nothing else, and a true high is never delayed."""
    for name in type(alarms).model_fields:
        model: AlarmModel | None = getattr(alarms, name)
        if model is not None:
            _check_alarm(AlarmKind(name), model, document, (*path, "alarms", name), mistakes)


def _check_alarm(kind: AlarmKind, model: AlarmModel, document: Document, path: KeyPath, mistakes: Mistakes) -> None:
    def wrong(key: str, text: str) -> None:
        mistakes.add((*path, key), f"{document.text((*path, key))} {text}")

    if not model.wanted and model.model_fields_set - {"wanted"}:
        mistakes.add(path, _LEFT_OUT)
        return
    if model.on_delay and kind in NEVER_DELAYED:
        wrong("on_delay", "would hold back a true high, which is told at once; leave it out, and use deadband")
    for key, delay in (("on_delay", model.on_delay), ("off_delay", model.off_delay)):
        if delay is not None and delay > _LONGEST_DELAY_S:
            wrong(key, "is longer than any delay of an alarm; give at most 1 h")
    deadband: float | None = getattr(model, "deadband", None)
    if deadband is not None and deadband < 0.0:
        wrong("deadband", "is below zero; give zero or more")
    limit: float | None = getattr(model, "limit", None)
    if limit is None:
        return
    if kind is AlarmKind.FILL_HIGH and not 0.0 < limit <= 1.0:
        wrong("limit", "is no part of the capacity; give more than 0 % and at most 100 %")
    if kind is AlarmKind.WATER_HIGH and limit <= 0.0:
        wrong("limit", "is no level of free water; give more than 0 mm")
