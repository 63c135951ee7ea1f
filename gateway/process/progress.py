"""Whether the loops of the daemon come round: each says, turn by turn, how long it waits for its next one."""

from collections.abc import Callable

from gateway.clock import Clock

__all__ = ["CameRound", "Progress", "nobody_asks"]

CameRound = Callable[[float], None]
"""Called by a loop at each turn, with the seconds after which its next turn is due if nothing happens before."""

_NS_PER_S = 1_000_000_000


def nobody_asks(_wait_s: float) -> None:
    """A `CameRound` where nobody wants to know."""


class Progress:
    """The turns of all loops. One that waits for what never comes is late, however busy the others are."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._due_ns: dict[str, int] = {}
        self._patience_ns: dict[str, int] = {}

    def of(self, name: str, patience_s: float) -> CameRound:
        """What the loop of that name calls. It is late from `patience_s` after its next turn was due: a time that
        covers the deadlines of all that one turn may wait for."""
        self._patience_ns[name] = round(patience_s * _NS_PER_S)

        def came_round(wait_s: float) -> None:
            if name in self._due_ns:  # else it is forgotten
                self._due_ns[name] = self._clock.monotonic_ns() + round(wait_s * _NS_PER_S)

        self._due_ns[name] = self._clock.monotonic_ns()
        return came_round

    def begun(self, name: str) -> None:
        """The loop of that name, if it tells its turns, is begun anew."""
        if name in self._due_ns:
            self._due_ns[name] = self._clock.monotonic_ns()

    def forget(self, name: str) -> None:
        """The loop of that name does not go on."""
        self._due_ns.pop(name, None)
        self._patience_ns.pop(name, None)

    def late(self) -> list[str]:
        """The loops that should have come round long ago."""
        now_ns = self._clock.monotonic_ns()
        return [name for name, due_ns in self._due_ns.items() if now_ns - due_ns > self._patience_ns[name]]

    def forgive(self) -> None:
        """The whole process stood still, with its machine or by a debugger: nothing was due meanwhile."""
        now_ns = self._clock.monotonic_ns()
        for name, due_ns in self._due_ns.items():
            self._due_ns[name] = max(due_ns, now_ns)
