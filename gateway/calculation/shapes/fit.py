"""Quadrature and fitting for shapes whose volume has no closed form: work done once, when the shape is made.

A volume that needs an integral is fitted, piece by piece, with polynomials through Chebyshev points; pieces are halved
until the fit agrees with the integral. Afterwards a volume costs one bisection and one Horner sum.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

__all__ = ["PiecewisePolynomial", "fit_piecewise", "gauss_legendre", "integrate"]

_DEGREE = 9
_SMALLEST_PIECE = 2.0**-20
"""As a part of the whole range: pieces are not halved below this, where a root may never be fitted."""


@lru_cache(maxsize=8)
def gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights on -1..1 (Abramowitz and Stegun, 25.4.29), by Newton's method from the usual first guess."""
    rule = []
    for index in range(1, count + 1):
        x = math.cos(math.pi * (index - 0.25) / (count + 0.5))
        slope = math.inf
        for _ in range(100):
            previous, current = 1.0, x
            for order in range(2, count + 1):
                previous, current = current, ((2 * order - 1) * x * current - (order - 1) * previous) / order
            slope = count * (x * current - previous) / (x * x - 1.0)
            step = current / slope
            x -= step
            if abs(step) < 1e-15:
                break
        rule.append((x, 2.0 / ((1.0 - x * x) * slope * slope)))
    return tuple(rule)


def integrate(function: Callable[[float], float], lower: float, upper: float, count: int = 40) -> float:
    """Integral of a smooth `function` over `lower`..`upper` by Gauss-Legendre quadrature with `count` nodes.

    Ends where the function has a square root are to be substituted away by the caller.
    """
    middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
    return half * math.fsum(weight * function(middle + half * x) for x, weight in gauss_legendre(count))


@dataclass(frozen=True, slots=True)
class PiecewisePolynomial:
    """A function of one variable by pieces. Outside the range the nearest piece continues: the caller guards."""

    starts: tuple[float, ...]
    """First point of each piece but the first, rising."""
    pieces: tuple[tuple[float, float, tuple[float, ...]], ...]
    """Middle, 1 / half width, and coefficients from the highest power down to the constant."""

    def __call__(self, x: float) -> float:
        middle, scale, coefficients = self.pieces[bisect_right(self.starts, x)]
        t = (x - middle) * scale
        total = 0.0
        for coefficient in coefficients:
            total = total * t + coefficient
        return total


def _fit_one(function: Callable[[float], float], lower: float, upper: float) -> tuple[float, float, tuple[float, ...]]:
    count = _DEGREE + 1
    middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
    angles = [(index + 0.5) * math.pi / count for index in range(count)]
    values = [function(middle + half * math.cos(angle)) for angle in angles]
    powers = [0.0] * count
    before, current = [0.0] * count, [1.0] + [0.0] * (count - 1)
    for order in range(count):
        factor = math.fsum(v * math.cos(order * a) for v, a in zip(values, angles, strict=True))
        factor *= (1.0 if order == 0 else 2.0) / count
        powers = [power + factor * term for power, term in zip(powers, current, strict=True)]
        # Chebyshev recurrence T(n+1) = 2 t T(n) - T(n-1), from T(0) = 1 and T(1) = t.
        raised = [0.0, *current[:-1]]
        following = raised if order == 0 else [2.0 * r - b for r, b in zip(raised, before, strict=True)]
        before, current = current, following
    return middle, 1.0 / half, tuple(reversed(powers))


def fit_piecewise(function: Callable[[float], float], breaks: Sequence[float], tolerance: float) -> PiecewisePolynomial:
    """Fit `function` over breaks[0]..breaks[-1] to an absolute `tolerance`.

    `breaks`, strictly rising, hold the ends and every point where a derivative may jump: no piece lies across one.
    """
    smallest = (breaks[-1] - breaks[0]) * _SMALLEST_PIECE
    pending = list(pairwise(breaks))[::-1]
    starts: list[float] = []
    pieces: list[tuple[float, float, tuple[float, ...]]] = []
    while pending:
        lower, upper = pending.pop()
        piece = _fit_one(function, lower, upper)
        candidate = PiecewisePolynomial((), (piece,))
        # Between the fitting points, and close to the ends where a root or a kink would show.
        probes = (lower + share * (upper - lower) for share in (0.0, 0.003, 0.23, 0.51, 0.79, 0.997, 1.0))
        if upper - lower > smallest and any(abs(candidate(x) - function(x)) > tolerance for x in probes):
            middle = 0.5 * (lower + upper)
            pending += [(middle, upper), (lower, middle)]
            continue
        starts.append(lower)
        pieces.append(piece)
    return PiecewisePolynomial(tuple(starts[1:]), tuple(pieces))
