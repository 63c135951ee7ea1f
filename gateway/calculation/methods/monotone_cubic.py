"""Interpolation by a monotone cubic: smooth through the points, without the overshoot of a free spline."""

from itertools import pairwise

__all__ = ["hermite", "monotone_slopes"]


def monotone_slopes(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[float, ...]:
    """Slopes at the points by Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; three-point ends.

    Where the data rise or fall from point to point, so does the curve; at a turn of the data the slope is 0.
    """
    widths = [right - left for left, right in pairwise(x)]
    chords = [(high - low) / width for (low, high), width in zip(pairwise(y), widths, strict=True)]
    if len(chords) == 1:
        return (chords[0], chords[0])
    inner = []
    for (left, right), (before, after) in zip(pairwise(widths), pairwise(chords), strict=True):
        if before * after <= 0.0:
            inner.append(0.0)
            continue
        heavier, lighter = 2.0 * right + left, right + 2.0 * left
        inner.append((heavier + lighter) / (heavier / before + lighter / after))
    first = _end_slope(widths[0], widths[1], chords[0], chords[1])
    last = _end_slope(widths[-1], widths[-2], chords[-1], chords[-2])
    return (first, *inner, last)


def _end_slope(near: float, far: float, near_chord: float, far_chord: float) -> float:
    slope = ((2.0 * near + far) * near_chord - near * far_chord) / (near + far)
    if slope * near_chord <= 0.0:
        return 0.0
    if near_chord * far_chord <= 0.0 and abs(slope) > 3.0 * abs(near_chord):
        return 3.0 * near_chord
    return slope


def hermite(share: float, width: float, low: float, high: float, low_slope: float, high_slope: float) -> float:
    """The cubic at `share` (0..1) of an interval of `width` with the given ends and slopes."""
    rest = 1.0 - share
    return (
        low * (1.0 + 2.0 * share) * rest * rest
        + high * share * share * (3.0 - 2.0 * share)
        + width * share * rest * (low_slope * rest - high_slope * share)
    )
