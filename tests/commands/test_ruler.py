"""The ruled line of a tank in characters: where everything stands follows from the metres."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commands.operator.ruler import Ruled, ruler
from gateway.records import Quality
from gateway.tank_state import Motion

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD
LIMITS = (1.0, 16.0, 18.0, 20.0)
"""On 40 characters half a metre each: ticks stand at 2, 32, 36 and, the end, 39."""


@pytest.mark.parametrize(
    ("ruled", "line"),
    [
        (Ruled(10.0, GOOD, Motion.AT_REST, LIMITS), "──┴─────────────────┃───────────┴───┴──┴"),
        (Ruled(10.0, GOOD, Motion.FILLING, LIMITS), "──┴─────────────────▶┄┄┄┄┄┄┄┄┄┄┄┴───┴──┴"),
        (Ruled(10.0, GOOD, Motion.EMPTYING, LIMITS), "──┴┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄◀───────────┴───┴──┴"),
        (Ruled(10.0, UNCERTAIN, Motion.AT_REST, LIMITS), "──┴─────────────────┇?──────────┴───┴──┴"),
        (Ruled(10.0, UNCERTAIN, Motion.FILLING, LIMITS), "──┴─────────────────▶?┄┄┄┄┄┄┄┄┄┄┴───┴──┴"),
        (Ruled(None, BAD, Motion.UNKNOWN, LIMITS, last_level=10.0), "──┴───────────────  ○  ─────────┴───┴──┴"),
        (Ruled(None, BAD, Motion.UNKNOWN, LIMITS), "  ┴                             ┴   ┴  ┴"),
        (Ruled(10.0, GOOD, Motion.AT_REST, LIMITS, water=0.2), "═─┴─────────────────┃───────────┴───┴──┴"),
        (Ruled(17.0, GOOD, Motion.FILLING, LIMITS), "──┴─────────────────────────────┴─▶┄┴──┴"),
        (Ruled(0.4, GOOD, Motion.EMPTYING, LIMITS), "◀─┴─────────────────────────────┴───┴──┴"),
        (Ruled(21.0, GOOD, Motion.FILLING, LIMITS), "──┴─────────────────────────────┴───┴──»"),
    ],
)
def test_where_it_stands(ruled: Ruled, line: str) -> None:
    assert ruler(ruled) == line


def test_without_limits_nothing_says_where_the_end_is() -> None:
    assert ruler(Ruled(10.0, GOOD, Motion.AT_REST, ())) == ""


levels = st.floats(-1.0, 30.0, allow_nan=False)


@given(
    st.one_of(st.none(), levels),
    st.sampled_from(Quality),
    st.sampled_from(Motion),
    st.lists(st.floats(0.01, 25.0), min_size=1, max_size=4),
    st.one_of(st.none(), levels),
    st.one_of(st.none(), st.floats(0.0, 2.0)),
    st.integers(12, 90),
)
def test_a_level_is_never_missing_and_what_is_not_known_never_looks_known(
    level: float | None,
    quality: Quality,
    motion: Motion,
    limits: list[float],
    last: float | None,
    water: float | None,
    width: int,
) -> None:
    line = ruler(Ruled(level, quality, motion, limits, last, water), width)
    assert len(line) == width
    stops = sum(line.count(mark) for mark in "┃▶◀┇»")
    assert stops == (level is not None)
    assert ("?" in line) == (level is not None and quality is not Quality.GOOD)
    assert ("○" in line) == (level is None and last is not None)
    if quality is not Quality.GOOD:
        assert "┃" not in line
