"""Temperature elements that do not fit the others: named, never dropped (common practice)."""

from typing import NamedTuple

__all__ = ["Odd", "outliers"]


class Odd(NamedTuple):
    """Positions of odd values. `named`: those that the others bear witness against; `pair`: two that differ with
    nothing to tell which is right."""

    named: tuple[int, ...]
    pair: tuple[int, int] | None = None


def outliers(heights_m: list[float], values: list[float], limit: float) -> Odd:
    """The values that differ by more than `limit` from each neighbour and from the gradient of the neighbours.

    `heights_m` rise. Of several suspects that one is named without which the rest agree best, so that a faulty element
    does not make its neighbours look faulty. Two values alone are compared with each other.
    """
    found: list[int] = []
    left = list(range(len(values)))
    while len(left) >= 3:
        distances = [_distance(heights_m, values, left, place) for place in range(len(left))]
        if max(distances) <= limit:
            return Odd(tuple(sorted(found)))
        rest = [_roughness(heights_m, values, left[:place] + left[place + 1 :]) for place in range(len(left))]
        # Where several removals leave the rest equally well, the one that is furthest off itself.
        worst = min(range(len(left)), key=lambda place: (rest[place], -distances[place]))
        if len(left) == 3 and rest[worst] > limit:
            # Three that all differ: none of them is borne out by another.
            break
        found.append(left.pop(worst))
    if len(left) == 2 and abs(values[left[0]] - values[left[1]]) > limit:
        return Odd(tuple(sorted(found)), (left[0], left[1]))
    if len(left) == 3:
        low, high = min(left, key=lambda i: values[i]), max(left, key=lambda i: values[i])
        return Odd(tuple(sorted(found)), (low, high))
    return Odd(tuple(sorted(found)))


def _roughness(heights_m: list[float], values: list[float], left: list[int]) -> float:
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
