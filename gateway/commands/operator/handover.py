"""What whoever takes over the shift has to know, as lines: what is entered, in maintenance, hidden and open."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from gateway.actions.entry import MAINTENANCE, PRODUCT, QUANTITIES
from gateway.commands.output import Column, Grid, plain_lines
from gateway.display import printable

__all__ = ["handover_lines"]

_NOTHING = "nothing is entered, in maintenance or changed; no alarm and no transfer is open, and no day waits"
_VALUES = ("tank", "what", "value", "by", "entered", "until", "state", "why")
_PRODUCTS = ("tank", "product", "from", "by", "why")
_WORKS = ("instrument", "by", "since", "until", "why")
_ALARMS = ("tank", "alarm", "state", "since", "by", "until", "why")
_TRANSFERS = ("transfer", "state", "kind", "tanks", "product", "partner", "since", "waits for")
_WAITING = ("request", "what", "by", "since", "until", "why")
_DAYS = ("day", "ended", "what to do")
_Told = Callable[[str | None], str]
"""A time as people read it."""
_HIDDEN = ("shelved", "suppressed", "out_of_service")


def handover_lines(site: str, answer: Mapping[str, Any]) -> list[str]:
    """By the clock of the site where its zone is told: a gateway before the accounts tells none, and it is UTC then.

    Raises KeyError, TypeError for what is no answer to `list`."""
    entries = answer["entries"]
    values = [each for each in entries if each["quantity"] != MAINTENANCE]
    works = [each for each in entries if each["quantity"] == MAINTENANCE]
    hidden = [each for each in answer["alarms"] if each["phase"] in _HIDDEN]
    alarms = [each for each in answer["alarms"] if each["phase"] not in _HIDDEN]
    zone = ZoneInfo(answer["time_zone"]) if answer.get("time_zone") else UTC

    def told(text: str | None) -> str:
        return _time(text, zone)

    now = told(answer["time"]) if zone is UTC else f"{told(answer['time'])} ({_time(answer['time'], UTC)})"
    lines = [printable(f"{site} at {now}")]
    for title, columns, rows in (
        ("Entered", _VALUES, [_value(each, told) for each in values]),
        ("Products changed", _PRODUCTS, _changes(answer, told)),
        ("In maintenance", _WORKS, [_work(each, told) for each in works]),
        ("Waits for a second person", _WAITING, [_request(each, told) for each in answer.get("waiting", ())]),
        ("Movements that nobody has said what they are", _TRANSFERS, _transfers(answer, told, proposed=True)),
        ("Transfers that are open", _TRANSFERS, _transfers(answer, told, proposed=False)),
        ("Days that are not closed", _DAYS, _days(answer, told)),
        ("Alarms that are hidden", _ALARMS, [_alarm(each, told) for each in hidden]),
        ("Alarms that are open", _ALARMS, [_alarm(each, told) for each in alarms]),
    ):
        if rows:
            grid = Grid(tuple(Column(header) for header in columns), tuple(rows))
            lines += ["", title, *plain_lines(grid)]
    for each in answer.get("products", ()):
        lines += [line for remark in each["remarks"] for line in ("", printable(f"{each['tank']} {PRODUCT}: {remark}"))]
    for each in values:
        remark = each["trouble"] or each["other"]
        if remark:
            lines += ["", printable(f"{each['about']} {QUANTITIES[each['quantity']]}: {remark}")]
    return lines if len(lines) > 1 else [*lines, _NOTHING]


def _value(each: Mapping[str, Any], told: _Told) -> tuple[str, ...]:
    state = ("stands in" if each["stands_in"] else "used") if each["used"] else "not used"
    if each["what"] == "expired":
        # What stood in for an instrument does so no longer; any other stays in use, Uncertain.
        state = "expired" if each["stands_in"] else f"expired, {state}"
    what, block = QUANTITIES[each["quantity"]], each["block"]
    entered = told(block.get("entered", each["at"]))
    return _row(each["about"], what, block.get("value"), each["by"], entered, told(each["ends"]), state, each["why"])


def _changes(answer: Mapping[str, Any], told: _Told) -> list[tuple[str, ...]]:
    """Of each tank the newest change, and those to come."""
    found = []
    for tank in answer.get("products", ()):
        history = tank["history"]
        first = max((number for number, each in enumerate(history) if not each["planned"]), default=0)
        found += [
            _row(tank["tank"], each["product"], told(each["since"]), each["by"], each["why"])
            for each in history[first:]
            if each["by"] is not None
        ]
    return found


def _transfers(answer: Mapping[str, Any], told: _Told, *, proposed: bool) -> list[tuple[str, ...]]:
    """A gateway before the accounts tells none."""
    return [
        _row(
            str(each["number"]),
            each["phase"],
            each["kind"].replace("_", " "),
            ", ".join(side["tank"] for side in each["sides"]),
            each["product"],
            each["partner"],
            told(each["since"]),
            each["waits_for"] or _settles(each, told),
        )
        for each in answer.get("transfers", ())
        if (each["phase"] == "proposed") == proposed
    ]


def _settles(each: Mapping[str, Any], told: _Told) -> str:
    settled = (each.get("progress") or {}).get("settled")
    return f"settles until {told(settled)}" if settled else ""


def _days(answer: Mapping[str, Any], told: _Told) -> list[tuple[str, ...]]:
    days = answer.get("days") or {"unclosed": ()}
    return [_row(each["day"], told(each["ended"]), f"stock close {each['day']}") for each in days["unclosed"]]


def _request(each: Mapping[str, Any], told: _Told) -> tuple[str, ...]:
    asked = each["asked"]
    what = f"{asked['action']} {asked.get('tank', asked.get('day', ''))}".strip()
    return _row(str(each["request"]), what, each["by"], told(each["at"]), told(each["ends"]), asked.get("why"))


def _work(each: Mapping[str, Any], told: _Told) -> tuple[str, ...]:
    return _row(each["about"], each["by"], told(each["at"]), told(each["ends"]), each["why"])


def _alarm(each: Mapping[str, Any], told: _Told) -> tuple[str, ...]:
    phase = each["phase"].replace("_", " ")
    tank = each["tank"] or "gateway"
    return _row(tank, each["name"], phase, told(each["since"]), each["by"], told(each["until"]), each["why"])


def _row(*texts: str | None) -> tuple[str, ...]:
    return tuple(printable(text or "") for text in texts)


def _time(text: str | None, zone: tzinfo) -> str:
    """Raises ValueError for what is no time."""
    if text is None:
        return ""
    instant = datetime.fromisoformat(text).astimezone(zone)
    return f"{instant:%Y-%m-%d %H:%M} {'UTC' if zone is UTC else f'{instant:%Z}'}"
