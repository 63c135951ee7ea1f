"""Noise that depends on the seed and the tick alone, not on who asked when."""

import random
import zlib

__all__ = ["noise_phase", "noise_ring"]

_LENGTH = 4093
"""A prime, so that signals a round number apart do not move together."""


def noise_ring(seed: int) -> tuple[float, ...]:
    """Normal deviates of mean 0 and deviation 1, cut at three deviations."""
    source = random.Random(f"noise {seed}")
    return tuple(min(max(source.gauss(0.0, 1.0), -3.0), 3.0) for _ in range(_LENGTH))


def noise_phase(instrument: str, signal: str) -> int:
    """Where in the ring a signal begins."""
    return zlib.crc32(f"{instrument}/{signal}".encode()) % _LENGTH
