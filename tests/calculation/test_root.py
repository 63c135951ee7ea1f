"""Roots of rising functions, and the wording of limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.limits import outside, require_finite, require_within
from gateway.calculation.methods.root import solve_rising, solve_rising_pieces
from gateway.errors import LimitError


@given(root=st.floats(0.1, 9.9), power=st.floats(0.3, 4.0))
def test_finds_the_root(root: float, power: float) -> None:
    def rising(x: float) -> float:
        return math.pow(x, power)

    found = solve_rising(rising, rising(root), 0.05, 10.0, rising(0.05), rising(10.0))
    assert found == pytest.approx(root, rel=1e-9)


@pytest.mark.parametrize(("target", "bound"), [(-1.0, 0.0), (0.0, 0.0), (1.0, 1.0), (2.0, 1.0)])
def test_at_and_beyond_the_bounds(target: float, bound: float) -> None:
    assert solve_rising(lambda x: x, target, 0.0, 1.0, 0.0, 1.0) == bound


@pytest.mark.parametrize(
    ("target", "expected"),
    [
        (0.5, (0.5, 0)),
        (1.05, (1.05, 0)),  # the lower piece ends at 1.1, the upper begins at 1.0: the lower is taken
        (2.0, (2.1, 1)),
        (2.95, (3.0, 2)),  # the middle piece ends at 2.9, the upper begins at 3.0: the border belongs to the upper
        (3.5, (3.5, 2)),
        (9.0, (4.0, 2)),
    ],
)
def test_pieces(target: float, expected: tuple[float, int]) -> None:
    def pieces(x: float, piece: int) -> float:
        return x - (0.0, 0.1, 0.0)[piece]

    x, piece = solve_rising_pieces(pieces, target, (0.0, 1.1, 3.0, 4.0))
    assert x == pytest.approx(expected[0], abs=1e-9)
    assert piece == expected[1]


def test_wording() -> None:
    assert str(outside("level", 1.2, "m", 0.0, 1.0, "table")) == "level 1.2 m is above 1 m (table)"
    assert str(outside("ratio", -0.1, "1", 0.0, 1.0, "table")) == "ratio -0.1 is below 0 (table)"
    assert str(outside("level", math.nan, "m", 0.0, 1.0, "table")) == "level nan m is not a finite number (table)"
    assert require_within("level", 1.0, "m", 0.0, 1.0, "table") == 1.0
    assert require_finite("level", 1.0, "m", "table") == 1.0
    for bad in (math.nan, math.inf, -math.inf):
        with pytest.raises(LimitError, match="not a finite number"):
            require_finite("level", bad, "m", "table")
        with pytest.raises(LimitError, match="not a finite number"):
            require_within("level", bad, "m", 0.0, 1.0, "table")
