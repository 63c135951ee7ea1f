"""The root of a rising function between two bounds, for methods that must be solved for a density."""

from collections.abc import Callable, Sequence
from functools import partial

__all__ = ["solve_rising", "solve_rising_pieces"]

_ROUNDS = 100
_RELATIVE = 1e-14


def solve_rising(
    function: Callable[[float], float],
    target: float,
    lowest: float,
    highest: float,
    at_lowest: float,
    at_highest: float,
) -> float:
    """The x in lowest..highest with function(x) = target, by false position with the Illinois modification.

    `function` rises from `at_lowest` to `at_highest`; a target outside those two gives the nearer bound, so callers
    test for that first. Accurate to about 1e-14 of the target or of x, whichever is met first.
    """
    below, below_miss = lowest, at_lowest - target
    above, above_miss = highest, at_highest - target
    if below_miss >= 0.0:
        return lowest
    if above_miss <= 0.0:
        return highest
    kept = 0
    x = below
    for _ in range(_ROUNDS):
        x = (below * above_miss - above * below_miss) / (above_miss - below_miss)
        miss = function(x) - target
        if abs(miss) <= _RELATIVE * abs(target) or above - below <= _RELATIVE * abs(x):
            break
        # Halving the miss of a bound that stays twice running is what keeps false position from creeping.
        if miss < 0.0:
            below, below_miss = x, miss
            if kept == -1:
                above_miss *= 0.5
            kept = -1
        else:
            above, above_miss = x, miss
            if kept == 1:
                below_miss *= 0.5
            kept = 1
    return x


def solve_rising_pieces(
    function: Callable[[float, int], float], target: float, borders: Sequence[float]
) -> tuple[float, int]:
    """(x, piece) with function(x, piece) = target, where piece i reaches from borders[i] up to, without, borders[i+1].

    Each piece rises; neighbouring pieces may miss each other a little at their border. Where both then have a root the
    lower piece is taken; where neither has, the border itself, which belongs to the upper piece. A target beyond the
    ends gives the nearer end, so callers test for that first.
    """
    last = len(borders) - 2
    for piece in range(last + 1):
        at_lowest = function(borders[piece], piece)
        if target < at_lowest:
            return borders[piece], piece
        at_highest = function(borders[piece + 1], piece)
        if target < at_highest:
            one_piece = partial(_piece, function, piece)
            return solve_rising(one_piece, target, borders[piece], borders[piece + 1], at_lowest, at_highest), piece
    return borders[-1], last


def _piece(function: Callable[[float, int], float], piece: int, x: float) -> float:
    return function(x, piece)
