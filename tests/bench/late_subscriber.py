"""Who comes late: a subscriber that connects now and sees only what lies on the broker. Is any of it a stale Good?

It is mosquitto_sub, a program that shares no code with the gateway, on the clock of the same machine.
"""

import json
import subprocess
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, NamedTuple

__all__ = ["Facts", "Found", "look", "not_on_time", "stale"]

_WAIT_S = "3"
_TIMED_OUT = 27
"""Exit code of mosquitto_sub for fewer messages than it waits for."""
_STALE_S = 60.0
"""A reading older than this makes no Good sheet (three periods here are less)."""
_SLACK_S = 2.0
_LEVEL_M = 0.005
"""The simulators' noise is of 0.3 mm."""

Found = Mapping[str, dict[str, Any]]
"""Retained inventory by tank."""


class Facts(NamedTuple):
    """What the one who plays the faults knows, on the clock of time.time()."""

    alive_until: float | None
    """When the gateway was last seen to run; None while it does."""
    silent_since: Mapping[str, float]
    """Tanks whose instruments give no answer, and since when."""
    levels_m: Mapping[str, float]
    """The true ones."""


def look(port: int, tanks: int) -> Found | None:
    """What lies on the broker; None where there is no broker."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-t", "tanks/bench/+/inventory", "-q", "1"]
    options = ["--retained-only", "-W", _WAIT_S, "-C", str(tanks)]
    try:
        done = subprocess.run([*command, *options], capture_output=True, timeout=30)
    except subprocess.TimeoutExpired:
        return None
    if done.returncode not in (0, _TIMED_OUT):
        return None
    found = [json.loads(line) for line in done.stdout.splitlines()]
    return {each["identity"]["tank"]: each for each in found}


def stale(found: Found, facts: Facts, now: float) -> list[str]:
    """What passes for the present and is not, each in words. `now` is from before the subscriber came."""
    return [
        f"{tank}: {doubt} ({json.dumps({key: record[key] for key in ('time', 'valid_until', 'valid_for_s')})})"
        for tank, record in found.items()
        if _is_good(record, now)
        for doubt in _doubts(tank, record, facts, now)
    ]


def not_on_time(found: Found, tanks: Iterable[str], now: float) -> list[str]:
    """Those that nothing was done to, and that are not Good all the same."""
    return [tank for tank in tanks if tank not in found or not _is_good(found[tank], now)]


def _is_good(record: dict[str, Any], now: float) -> bool:
    until = record["valid_until"]
    return record["figures"]["level"]["quality"] == "Good" and until is not None and _seconds(until) >= now


def _doubts(tank: str, record: dict[str, Any], facts: Facts, now: float) -> list[str]:
    level, valid_s = record["figures"]["level"], record["valid_for_s"]
    alive = now if facts.alive_until is None else facts.alive_until
    checks = (
        (_seconds(level["time"]) < now - _STALE_S - valid_s - _SLACK_S, f"its level is of {level['time']}"),
        (_seconds(record["valid_until"]) > alive + valid_s + _SLACK_S, "it holds for longer than it may"),
        (
            facts.silent_since.get(tank, now) < now - _STALE_S - valid_s - _SLACK_S,
            "its instrument has long been silent",
        ),
        (abs(level["value"] - facts.levels_m[tank]) > _LEVEL_M, f"its level is {level['value']} m"),
    )
    return [f"Good, but {words}" for is_wrong, words in checks if is_wrong]


def _seconds(instant: str) -> float:
    return datetime.fromisoformat(instant).timestamp()
