"""A random source with the throws that a site needs: decimal numbers, rare things, marks instead of random places."""

import random
from collections.abc import Sequence
from typing import TypeVar

__all__ = ["Dice"]

T = TypeVar("T")


class Dice(random.Random):
    def number(self, low: float, high: float, digits: int) -> float:
        """A decimal number, now and then one of its ends."""
        if self.random() < 0.04:
            return round(self.choice((low, high)), digits)
        return round(self.uniform(low, high), digits)

    def chance(self, share: float) -> bool:
        return self.random() < share

    def one(self, *choices: T) -> T:
        return self.choice(choices)

    def weighted(self, choices: Sequence[T], weights: Sequence[float]) -> T:
        return self.choices(choices, weights)[0]
