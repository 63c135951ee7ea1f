"""Pure: how many mails may go out, so that in no hour there are more than so many, and the most urgent still can."""

__all__ = ["Allowance"]

_HOUR_S = 3600.0


class Allowance:
    """A bucket of `most_per_hour / 2` mails that fills again with as many in an hour: together that is the limit, from
    whenever the hour is counted. Half of the bucket is kept for what is urgent.

    most_per_hour >= 2. Times are seconds of a clock that is never set.
    """

    def __init__(self, most_per_hour: int, now_s: float) -> None:
        self._most = max(1.0, most_per_hour / 2.0)
        self._rate = (most_per_hour - self._most) / _HOUR_S
        self._left = self._most
        self._at_s = now_s

    def permits(self, now_s: float, *, urgent: bool) -> bool:
        """Whether a mail may go out now."""
        self._fill(now_s)
        # What is there at first may be all that is kept: one for whoever asks first.
        reserve = 0.0 if urgent else float(int(self._most / 2.0))
        return self._left >= 1.0 + reserve

    def spend(self, now_s: float) -> None:
        """One has gone out."""
        self._fill(now_s)
        self._left = max(0.0, self._left - 1.0)

    def _fill(self, now_s: float) -> None:
        elapsed_s = max(0.0, now_s - self._at_s)
        self._at_s = now_s
        self._left = min(self._most, self._left + elapsed_s * self._rate)
