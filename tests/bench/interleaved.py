"""Compares contenders fairly: one round of each in turn, several rounds, each ratio taken within its own round."""

from collections.abc import Callable, Mapping
from statistics import median
from typing import NamedTuple

__all__ = ["Contender", "compare"]


class Contender(NamedTuple):
    """How one contender did. A ratio is to the baseline of the same round: above 1 is better."""

    name: str
    values: tuple[float, ...]
    ratios: tuple[float, ...]
    cpu_us: tuple[float, ...]
    """Microseconds of processor time of its own process, for each piece of work."""

    def row(self) -> dict[str, object]:
        return {
            "name": self.name,
            "median": median(self.values),
            "lowest": min(self.values),
            "highest": max(self.values),
            "ratio": median(self.ratios),
            "ratio_lowest": min(self.ratios),
            "ratio_highest": max(self.ratios),
            "cpu_us": median(self.cpu_us),
            "values": list(self.values),
            "ratios": list(self.ratios),
        }


def compare(
    contenders: Mapping[str, Callable[[], tuple[float, float]]], *, baseline: str, rounds: int
) -> list[Contender]:
    """Each contender gives (pieces of work a second, processor microseconds a piece) for one round."""
    values: dict[str, list[float]] = {name: [] for name in contenders}
    cpu: dict[str, list[float]] = {name: [] for name in contenders}
    names = list(contenders)
    for number in range(rounds):
        # Every round begins with another contender, so that none always follows the same one.
        for name in names[number % len(names) :] + names[: number % len(names)]:
            rate, cpu_us = contenders[name]()
            values[name].append(rate)
            cpu[name].append(cpu_us)
    return [
        Contender(
            name,
            tuple(values[name]),
            tuple(value / base for value, base in zip(values[name], values[baseline], strict=True)),
            tuple(cpu[name]),
        )
        for name in names
    ]
