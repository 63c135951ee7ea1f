"""Pure: which of its servers the node goes to next, and how long it waits before."""

from gateway.backoff import Backoff

__all__ = ["Servers"]


class Servers:
    """One at a time, in their order, and round; it is waited for only when all have been tried."""

    def __init__(self, count: int, backoff: Backoff) -> None:
        self._count = count
        self._backoff = backoff
        self.index = 0
        self._tried = 0

    def failed(self, healthy_s: float) -> float:
        """That server is no good now, after it was for so long. Gives the seconds to wait before the next."""
        if healthy_s > 0.0:
            self._tried = 0
        self.index = (self.index + 1) % self._count
        self._tried += 1
        if self._tried < self._count:
            return 0.0
        self._tried = 0
        return self._backoff.after(healthy_s)
