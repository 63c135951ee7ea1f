"""Pure: requests that brought no answer, on a wire where an answer does not say which request it belongs to.

A converter or a radio that stood still passes on what it had kept, in order: the first answer that comes then may be to
an earlier request of the same unit, for other registers or from long ago.
"""

from gateway.acquisition.framing import ReadRequest

__all__ = ["Unanswered"]


class _Debt:
    """What one unit owes since its last answer."""

    __slots__ = ("doubted", "frames", "requests")

    def __init__(self) -> None:
        self.frames = 0
        self.requests: set[ReadRequest] = set()
        self.doubted = False
        """Whether an answer was dropped since the last of the requests: what was kept has come, the next one counts."""


class Unanswered:
    """A unit does one thing after another: once it has answered a request, it owes none that was sent before that."""

    def __init__(self) -> None:
        self._debts: dict[int, _Debt] = {}

    def add(self, request: ReadRequest) -> None:
        debt = self._debts.setdefault(request.unit, _Debt())
        debt.frames += 1
        debt.requests.add(request)
        debt.doubted = False

    def is_answer_to(self, request: ReadRequest, *, refused: bool) -> bool:
        """Whether what came is the answer to `request`, beyond doubt: nothing is owed that looks like it.

        Where not, what else comes is to be waited out and the request made again, once: its next answer is taken.
        The same registers asked for before are no exception: with their old answer taken for the new one, the new one
        would be there when something else is asked.

        `refused`: an exception came, which looks alike for every request of the same function.
        """
        debt = self._debts.get(request.unit)
        if debt is None:
            return True
        is_doubtful = not debt.doubted and any(
            other.table is request.table and (refused or other.size == request.size) for other in debt.requests
        )
        if is_doubtful:
            debt.doubted = True
        else:
            del self._debts[request.unit]
        return not is_doubtful

    def pays(self, unit: int | None) -> bool:
        """Whether a frame of the unit that nobody waits for is one that it owed; takes it off."""
        debt = None if unit is None else self._debts.get(unit)
        if debt is None or not debt.frames:
            return False
        debt.frames -= 1
        return True
