"""Temperature elements that do not fit the others: named, never dropped (common practice)."""

from typing import NamedTuple

__all__ = ["Odd", "outliers"]


class Odd(NamedTuple):
    """Positions of odd values. `named`: those that the others, who are more, bear witness against; `pair`: the lowest
    and the highest where nothing tells which of the values are right."""

    named: tuple[int, ...]
    pair: tuple[int, int] | None = None


def outliers(heights_m: list[float], values: list[float], limit: float) -> Odd:
    """The values that differ by more than `limit` from each neighbour and from the gradient of the neighbours.

    `heights_m` rise. Of several suspects that one is named without which the rest agree best, so that a faulty element
    does not make its neighbours look faulty. Two values alone are compared with each other.
    """
    found: list[int] = []
    left = list(range(len(values)))
    while _roughness(heights_m, values, left) > limit and len(left) > 2:
        distances = [_distance(heights_m, values, left, place) for place in range(len(left))]
        rest = [_roughness(heights_m, values, left[:place] + left[place + 1 :]) for place in range(len(left))]
        # Where several removals leave the rest equally well, the one that is furthest off itself.
        found.append(left.pop(min(range(len(left)), key=lambda place: (rest[place], -distances[place]))))
    if not found and _roughness(heights_m, values, left) <= limit:
        return Odd(())
    if _roughness(heights_m, values, left) > limit or 2 * len(found) >= len(values):
        # As many are set aside as agree: nothing tells which of them are right.
        return Odd((), (values.index(min(values)), values.index(max(values))))
    return Odd(tuple(sorted(found)))


def _roughness(heights_m: list[float], values: list[float], left: list[int]) -> float:
    """How far the value that fits least lies from its nearest explanation."""
    if len(left) == 1:
        return 0.0
    if len(left) == 2:
        return abs(values[left[0]] - values[left[1]])
    return max(_distance(heights_m, values, left, place) for place in range(len(left)))


def _distance(heights_m: list[float], values: list[float], left: list[int], place: int) -> float:
    """How far one value lies from its nearest explanation: a neighbour's value or the neighbours' gradient."""
    me = left[place]
    if place == 0:
        near, far = left[1], left[2]
    elif place == len(left) - 1:
        near, far = left[-2], left[-3]
    else:
        near, far = left[place - 1], left[place + 1]
    slope = (values[far] - values[near]) / (heights_m[far] - heights_m[near])
    on_gradient = values[near] + slope * (heights_m[me] - heights_m[near])
    candidates = [abs(values[me] - values[near]), abs(values[me] - on_gradient)]
    if 0 < place < len(left) - 1:
        candidates.append(abs(values[me] - values[far]))
    return min(candidates)
