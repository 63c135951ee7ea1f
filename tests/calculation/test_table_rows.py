"""The step to which volumes are printed, and rows that were chosen by hand."""

import math

import pytest

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.rows import missing_rows, printed_steps, wrong_volumes
from gateway.units.quantity import Dimension, from_unit

BARREL = from_unit(1.0, "bbl", Dimension.VOLUME)


def test_printed_steps() -> None:
    assert printed_steps([0.0, 0.13, 0.25, 0.38]) == pytest.approx((0.01,) * 4)
    assert printed_steps([0.0, 130.0, 270.0]) == pytest.approx((10.0,) * 3)
    assert printed_steps([4.2123, 4.3123, 4.7123]) == pytest.approx((0.1,) * 3), "a heel was added"
    assert printed_steps([0.0, math.pi, math.e + 1.0]) == (0.0,) * 3
    assert printed_steps([number * BARREL * 0.37 for number in range(5)]) == pytest.approx((0.01 * BARREL,) * 5)
    # Litres at the bottom, hundreds of litres above: each row by those around it.
    mixed = [0.001 * round(7.85 * number) for number in range(60)] + [0.1 * number for number in range(10, 80)]
    steps = printed_steps(mixed)
    assert steps[5] == pytest.approx(0.001)
    assert steps[-5] == pytest.approx(0.1)


@pytest.mark.parametrize(
    "levels", [(0.0, 0.1, 0.2, 0.3, 0.5, 1.0, 1.5, 2.0), (0.0, 0.5, 0.6, 0.7, 0.8), (0.0, 0.1, 0.15, 0.17, 0.5, 0.8)]
)
def test_rows_chosen_by_hand_are_not_missing(levels: tuple[float, ...]) -> None:
    assert missing_rows(CapacityTable("T", levels, tuple(50.0 * level for level in levels))) == ()


def test_wrong_volumes_alone_needs_some_rows() -> None:
    assert wrong_volumes(CapacityTable("T", (0.0, 1.0, 2.0, 3.0), (0.0, 1.0, 9.0, 10.0))) == ()
