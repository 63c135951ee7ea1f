"""Pure: what one unit owes and what it has shown, on a wire where an answer does not say which request it belongs to.

A unit does one thing after another, and so does what lies between. So an answer belongs to the oldest request that it
can be the answer to, and whatever was sent before that will not be answered any more. An answer is a request's own
beyond doubt where no older one of its look is owed. Where one is, something else is asked first: other registers that
the unit is known to have, as many as are not owed, or a shorter part of what is wanted. Never an address beside those.
"""

from collections.abc import Iterator
from typing import NamedTuple

from gateway.modbus.framing import Look, ReadRequest, exception_code

__all__ = ["REFUSALS", "Struck", "UnitAnswers"]

_EXCEPTION_BIT = 0x80
REFUSALS = frozenset({1, 2, 3})
"""Exceptions that say that there is no such thing: not to be had of registers that were read before."""
_REMEMBERED = 64
_LOOKS = 8
_MUTE_AFTER = 2
_BITS_A_BYTE = 8
_PROOFS_IN_A_ROW = 2


class Struck(NamedTuple):
    """A request that an answer was for, or an older one of its look."""

    request: ReadRequest
    sent_s: float | None
    """None where it cannot be said which of several it was."""


class _Run:
    """Requests of one look that were sent one after another and not answered."""

    __slots__ = ("are_known", "count", "is_proof", "last_s", "look", "request")

    def __init__(self, request: ReadRequest, sent_s: float, *, is_proof: bool, is_known: bool) -> None:
        self.request = request
        self.is_proof = is_proof
        """Whether it was asked only to see whether the line is in step."""
        self.look = request.look
        self.count = 1
        self.last_s = sent_s
        self.are_known = is_known
        """Whether all of them were answered with values before."""

    def may_owe(self, message: bytes) -> bool:
        code = exception_code(message)
        if code is None:
            return self.look == (message[1], message[2])
        return self.look.function | _EXCEPTION_BIT == message[1] and not (code in REFUSALS and self.are_known)

    def may_begin(self, beginning: bytes) -> bool:
        """As `may_owe`, of the first one to three bytes."""
        if len(beginning) < 2 or beginning[1] == self.look.function | _EXCEPTION_BIT:
            return True
        return self.look == (beginning[1], beginning[2] if len(beginning) > 2 else self.look.size)


class UnitAnswers:
    """One unit."""

    __slots__ = ("_asked", "_known", "_looks", "_mute", "_runs", "answered_s", "missed_s")

    def __init__(self) -> None:
        self._runs: list[_Run] = []
        self._asked: dict[Look, ReadRequest | None] = {}
        """By look: the one request that was made of it; None where there were several."""
        self._known: dict[ReadRequest, None] = {}
        """What it answered with values, the newest last."""
        self._looks: dict[Look, ReadRequest] = {}
        """By look: what it answered last, if only to refuse it."""
        self._mute: dict[Look, int] = {}
        """By look: how often it did not answer such a request while it answered others."""
        self.missed_s = 0.0
        """When the newest of what it owes was sent."""
        self.answered_s: dict[Look, float] = {}
        """By look: when its last answer to a request of ours came."""

    @property
    def owes(self) -> bool:
        return bool(self._runs)

    def is_known(self, request: ReadRequest) -> bool:
        """Whether it was answered with values before."""
        return request in self._known

    def has_several(self, look: Look) -> bool:
        """Whether answers of this look may be those of different registers."""
        return self._asked.get(look) is None

    def missed(self, request: ReadRequest, sent_s: float, *, is_proof: bool = False) -> None:
        """Was sent and is not waited for any longer."""
        self.missed_s = sent_s
        self._note(request)
        is_known = request in self._known
        if self._runs and self._runs[-1].look == request.look:
            run = self._runs[-1]
            run.count += 1
            run.last_s = sent_s
            run.are_known &= is_known
        else:
            self._runs.append(_Run(request, sent_s, is_proof=is_proof, is_known=is_known))

    def strike(self, message: bytes) -> Struck | None:
        """The oldest owed request that this is an answer of; it and what is older is owed no more."""
        for place, run in enumerate(self._runs):
            if run.may_owe(message):
                struck = Struck(run.request, run.last_s if run.count == 1 else None)
                run.count -= 1
                del self._runs[: place + (not run.count)]
                return struck
        return None

    def may_owe(self, beginning: bytes) -> bool:
        """Whether an answer that begins so may be one that it owes."""
        return any(run.may_begin(beginning) for run in self._runs)

    def caught_up(self) -> None:
        """Its own answer came, beyond doubt: nothing older comes any more."""
        for run in self._runs:
            if run.look not in self._looks:
                self.was_mute(run.look)
        self._runs.clear()

    def answered(self, request: ReadRequest, now_s: float, *, with_values: bool) -> None:
        look = request.look
        self._mute.pop(look, None)
        self.answered_s[look] = now_s
        if self._looks.get(look) != request:
            self._note(request)
            self._looks.pop(look, None)
            self._looks[look] = request
            if len(self._looks) > _LOOKS:
                del self._looks[next(iter(self._looks))]
        if with_values and request not in self._known:
            self._known[request] = None
            if len(self._known) > _REMEMBERED:
                del self._known[next(iter(self._known))]

    def forgive(self) -> None:
        """What it owes cannot come any more."""
        self._runs.clear()

    def was_mute(self, look: Look) -> None:
        """Did not answer such a request, though it is there."""
        self._mute[look] = self._mute.get(look, 0) + 1

    def other_look(self, wanted: ReadRequest) -> ReadRequest | None:
        """Something of it whose answer looks different from what is wanted, the cheapest; None where there is none."""
        return min(self._others(wanted, untried=True), key=self._cost, default=None)

    def next_request(self, wanted: ReadRequest, *, is_there: bool) -> ReadRequest:
        """What to ask so that `wanted` can be told apart from what is owed; `wanted` itself where it can be already.

        A part that was never asked for is tried only of a unit that was heard before, in this read with `is_there`: one
        that it passes over in silence is not to hide that it is there. Where nothing differs from all that is owed, it
        is what leaves the least of that behind when it is answered; while the unit is silent, the same again and again,
        so that what is owed stays simple, but no proof more than twice.
        """
        owed = [run.look for run in self._runs]
        if wanted.look not in owed:
            return wanted
        others = list(self._others(wanted, untried=is_there or bool(self._known)))
        new = [request for request in others if request.look not in owed]
        if new:
            return min(new, key=self._cost)
        if not is_there:
            last = self._runs[-1]
            return wanted if last.is_proof and last.count >= _PROOFS_IN_A_ROW else last.request
        asked = [wanted, *(request for request in self._others(wanted, untried=False) if request.look in owed)]
        return max(asked, key=lambda request: owed.index(request.look))

    def _note(self, request: ReadRequest) -> None:
        if self._asked.setdefault(request.look, request) != request:
            self._asked[request.look] = None

    def _others(self, wanted: ReadRequest, *, untried: bool) -> Iterator[ReadRequest]:
        """Each look other than the wanted one, once."""
        for look, request in self._looks.items():
            if look != wanted.look and self._mute.get(look, 0) < _MUTE_AFTER:
                yield request
        if not untried:
            return
        for size in range(1, wanted.size if wanted.table.holds_bits else wanted.quantity):
            shorter = wanted._replace(quantity=size * _BITS_A_BYTE if wanted.table.holds_bits else size)
            if shorter.look not in self._looks and self._mute.get(shorter.look, 0) < _MUTE_AFTER:
                yield shorter

    def _cost(self, request: ReadRequest) -> tuple[bool, int]:
        """What is shortest; but half of a 32-bit value is tried last: some devices give none."""
        may_halve = not request.table.holds_bits and request.quantity % 2 == 1 and request.look not in self._looks
        return may_halve, request.size
