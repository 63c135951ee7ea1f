"""Pure: how long to wait for an instrument, learned from its own answers.

Smoothed mean and deviation as RFC 6298, section 2, has them for TCP. Two things differ, since an instrument may answer
some of its blocks, or some of its moments, far more slowly than the rest: the slowest answer is kept in mind and fades
only gradually; and a request that was not answered is followed by one that is given all the time that is configured.
"""

__all__ = ["ResponseTime"]

_NS_PER_S = 1_000_000_000
_ANSWERS_NEEDED = 8
_SHORTEST_S = 0.05
"""Below this the pauses of the gateway's own process would count as silence."""
_SHORTEST_SHARE = 0.25
"""Of the configured time-out."""
_SLOWEST_MARGIN = 1.5
_FADING = 0.999
_PATIENT_EACH = 8


class ResponseTime:
    """The answers of one instrument. `timeout_s` is what its next request is given, never more than configured."""

    __slots__ = (
        "_answers",
        "_deviation",
        "_late",
        "_learned_s",
        "_longest_s",
        "_mean",
        "_shortest_s",
        "_slowest",
        "_vain",
    )

    def __init__(self, longest_s: float, *, learns: bool = True) -> None:
        """`learns` False: each request has all the time, and only the statistics are kept."""
        self._longest_s = longest_s
        self._shortest_s = min(longest_s, max(_SHORTEST_S, _SHORTEST_SHARE * longest_s)) if learns else longest_s
        self._learned_s = longest_s
        self._answers = 0
        self._mean = self._deviation = self._slowest = 0.0
        self._vain = 0
        self._late = False

    @property
    def timeout_s(self) -> float:
        """The first request after a silence, and each eighth after that, has all the time: it may only be slow now."""
        return self._longest_s if self._late or self._vain % _PATIENT_EACH == 1 else self._learned_s

    @property
    def learned_s(self) -> float:
        return self._learned_s

    def answered(self, duration_ns: int) -> None:
        took = duration_ns / _NS_PER_S
        self._vain = 0
        self._late = False
        self._answers += 1
        if self._answers == 1:
            self._mean, self._deviation = took, took / 2
        else:
            difference = took - self._mean
            self._deviation += (abs(difference) - self._deviation) / 4
            self._mean += difference / 8
        faded = self._slowest * _FADING
        self._slowest = took if took > faded else faded
        if self._answers >= _ANSWERS_NEEDED:
            wanted = max(self._mean + 4 * self._deviation, _SLOWEST_MARGIN * self._slowest, self._shortest_s)
            self._learned_s = min(wanted, self._longest_s)

    def unanswered(self) -> None:
        self._vain += 1
        self._late = False

    def may_be_late(self) -> None:
        """An answer came after its time, perhaps of this instrument: the next request has all the time."""
        self._late = True
