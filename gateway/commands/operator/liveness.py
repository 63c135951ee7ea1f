"""Whether what a gateway last said of a tank is still the present, and how what is not is shown.

A page, a proxy or a broker keeps what was said last. Beyond its `valid_until` it must look like nothing that lives: no
number in the table, none in a total, and a word in its row.
"""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from gateway.commands.operator.tank_table import LastTold, TankView, view_of
from gateway.payload.reader import inventory_of, state_of
from gateway.records import LevelState, Quality
from gateway.sentences import duration_words

__all__ = ["Clocks", "clock_words", "past", "seen_at", "view_of_message"]

_NEARLY_EQUAL = timedelta(seconds=5)
"""Between two clocks that are set: nothing worth a word."""
_UNLIKE = timedelta(seconds=60)
"""Beyond this an answer may as well be an old one: nothing is taken for the present on the word of its own clock."""


class Clocks(NamedTuple):
    """UTC at one moment: by the gateway that answers, where one does, and on this machine."""

    gateway: datetime | None
    here: datetime


def seen_at(clocks: Clocks) -> datetime:
    """The moment by which ages are told: that of the gateway, which dated its sheets by it. Where the clocks are far
    apart the later one, so that an answer which somebody kept is not taken for a new one."""
    if clocks.gateway is None:
        return clocks.here
    if abs(clocks.here - clocks.gateway) > _UNLIKE:
        return max(clocks.gateway, clocks.here)
    return clocks.gateway


def clock_words(clocks: Clocks) -> str:
    """A sentence where the two clocks are not alike; else nothing."""
    if clocks.gateway is None or abs(clocks.here - clocks.gateway) <= _NEARLY_EQUAL:
        return ""
    apart = duration_words(abs((clocks.here - clocks.gateway).total_seconds()))
    side = "ahead of" if clocks.here > clocks.gateway else "behind"
    later = clocks.here - clocks.gateway > _UNLIKE
    rest = ", or this answer is an old one: nothing of it is taken as live" if later else ": set the wrong one"
    return f"the clock of this machine is {apart} {side} that of the gateway{rest}"


def view_of_message(message: Mapping[str, Any], now: datetime, *, gone: str = "") -> TankView:
    """One inventory, as it is written, seen at `now` (UTC).

    `gone`: why nobody keeps it up to date whatever its own time says; empty where that is not known. Raises what
    `inventory_of` raises.
    """
    view = view_of(inventory_of(message), now)._replace(state=state_of(message))
    why = gone or past(message, now)
    return _not_live(view, why) if why else view


def past(message: Mapping[str, Any], now: datetime) -> str:
    """Why one inventory, as it is written, is not the present at `now` (UTC); empty where it is."""
    told = datetime.fromisoformat(message["time"])
    until, holds_s = message.get("valid_until"), message.get("valid_for_s")
    when = f"{told.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    if until is None or holds_s is None:
        return f"its sheet of {when} does not say until when it holds: the gateway's clock could not be right"
    if told - now > _UNLIKE:
        ahead = duration_words((told - now).total_seconds())
        return f"its sheet is dated {when}, {ahead} ahead of the clock of this machine, so its age is unknown"
    if now <= datetime.fromisoformat(until):
        return ""
    age = duration_words((now - told).total_seconds())
    return f"its last sheet is of {when}, {age} ago, and held for {duration_words(holds_s)}"


def _not_live(view: TankView, why: str) -> TankView:
    """The same with no number: what it said goes to a line of its own."""
    told = {
        name: LastTold(figure.value, figure.quality, figure.age_s)
        for name, figure in view.figures.items()
        if figure.value is not None and figure.quality is not Quality.BAD
    }
    figures = {
        # What this tank has not stays so.
        name: figure
        if figure.value is None and figure.quality is Quality.GOOD
        else figure._replace(value=None, quality=Quality.BAD)
        for name, figure in view.figures.items()
    }
    return view._replace(
        figures=figures,
        not_live=why,
        last_told=told,
        level_state=LevelState(),
        told_state=view.level_state,
        state=None,
    )
