"""Pure: how long to wait before something that failed is tried again. Is told how long it had gone well before."""

import random

__all__ = ["Backoff"]

_HEALTHY = 10.0
"""After so many times its first wait without a fault the past is forgotten."""


class Backoff:
    """Full jitter: each wait is drawn evenly between 0 and a limit that doubles from `first_s` to `longest_s`.

    The limit is `first_s` again after ten times `first_s` of health. Both in seconds, 0 < first_s <= longest_s.
    """

    __slots__ = ("_first_s", "_limit_s", "_longest_s", "_random", "failures")

    def __init__(self, first_s: float, longest_s: float, source: random.Random) -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._random = source
        self._limit_s = first_s
        self.failures = 0
        """In a row: since the start, or since the past was last forgotten."""

    def after(self, healthy_s: float) -> float:
        """Counts one more failure, of something that had gone well for `healthy_s`, and gives the wait in seconds."""
        if healthy_s >= _HEALTHY * self._first_s:
            self.forget()
        limit_s, self._limit_s = self._limit_s, min(2.0 * self._limit_s, self._longest_s)
        self.failures += 1
        return self._random.uniform(0.0, limit_s)

    def forget(self) -> None:
        """Where one success proves that all is well again, as an answer of an instrument does."""
        self._limit_s = self._first_s
        self.failures = 0
