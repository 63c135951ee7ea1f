"""The soak's own judge: a stale or a wrong Good is seen, and nothing else is called one."""

from datetime import UTC, datetime
from typing import Any

import pytest

from tests.bench.late_subscriber import Facts, not_on_time, stale

NOW_S = 1_800_000_000.0
VALID_S = 10.0


def at(seconds: float) -> str:
    return datetime.fromtimestamp(NOW_S + seconds, UTC).isoformat()


def record(*, read_s: float = -1.0, told_s: float = -0.5, value: float = 5.0, quality: str = "Good") -> dict[str, Any]:
    level = {"quality": quality, "value": value, "time": at(read_s)}
    return {
        "figures": {"level": level},
        "time": at(told_s),
        "valid_until": at(told_s + VALID_S),
        "valid_for_s": VALID_S,
    }


ALIVE = Facts(None, {}, {"T": 5.0})


@pytest.mark.parametrize(
    ("found", "facts"),
    [
        (record(), ALIVE),
        (record(value=5.004), ALIVE),
        (record(read_s=-50.0), ALIVE),
        (record(), Facts(NOW_S - 0.5, {}, {"T": 5.0})),
        (record(), Facts(None, {"T": NOW_S - 50.0}, {"T": 5.0})),
        # Not Good, or not believed any more: whatever it says is no present.
        (record(value=9.0, quality="Bad"), ALIVE),
        (record(value=9.0, told_s=-11.0), ALIVE),
    ],
)
def test_what_is_sound(found: dict[str, Any], facts: Facts) -> None:
    assert stale({"T": found}, facts, NOW_S) == []


@pytest.mark.parametrize(
    ("found", "facts", "words"),
    [
        (record(value=5.006), ALIVE, "its level is 5.006 m"),
        (record(read_s=-73.0), ALIVE, "its level is of "),
        (record(), Facts(NOW_S - 13.0, {}, {"T": 5.0}), "it holds for longer than it may"),
        (record(), Facts(None, {"T": NOW_S - 73.0}, {"T": 5.0}), "its instrument has long been silent"),
    ],
)
def test_what_is_not(found: dict[str, Any], facts: Facts, words: str) -> None:
    (said,) = stale({"T": found}, facts, NOW_S)
    assert said.startswith(f"T: Good, but {words}")


def test_who_is_on_time() -> None:
    found = {"T": record(), "L": record(told_s=-11.0), "B": record(quality="Bad"), "U": record(quality="Uncertain")}
    assert not_on_time(found, ["T", "L", "B", "U", "gone"], NOW_S) == ["L", "B", "U", "gone"]
