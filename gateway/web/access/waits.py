"""Waits after passwords that were wrong: they grow for whoever guesses, and not for the one whose name is guessed.

What counts is the pair of name and peer: somebody who guesses a name from elsewhere makes its owner wait for nothing.
From one address at most so many are wrong, whatever the names, and a name that is guessed from many addresses leaves
each of them fewer tries. An attempt counts as wrong until it has shown to be right, so that many at once are no way
around. All of it is bounded: what was wrong longest ago is forgotten first.
"""

from collections import OrderedDict
from typing import NamedTuple, TypeVar

__all__ = ["LONGEST_OF_PAIR_S", "LONGEST_OF_PEER_S", "Waits"]

K = TypeVar("K")

_FREE = 5
"""Wrong ones of a pair without a wait: people mistype."""
_FREE_WHEN_GUESSED = 2
_GUESSED = 20
"""Wrong ones of a name, from wherever, that make it one which is guessed."""
_FREE_OF_PEER = 40
"""A control room, or all behind one proxy, may mistype a while."""
_FIRST_S = 1.0
LONGEST_OF_PAIR_S = 300.0
LONGEST_OF_PEER_S = 60.0
_FORGOTTEN_S = 3600.0
_MOST = 4096


class _Wrong(NamedTuple):
    times: int
    last_s: float


class Waits:
    """Times: seconds of a clock that is never set."""

    def __init__(self, most: int = _MOST) -> None:
        self._most = most
        self._pairs: OrderedDict[tuple[str, str], _Wrong] = OrderedDict()
        self._names: OrderedDict[str, _Wrong] = OrderedDict()
        self._peers: OrderedDict[str, _Wrong] = OrderedDict()

    def wait_s(self, name: str, peer: str, now_s: float) -> float:
        """How long this peer has to wait before it may try this name; 0: now."""
        guessed = _count(self._names, name, now_s) >= _GUESSED
        free = _FREE_WHEN_GUESSED if guessed else _FREE
        return max(_left(self._pairs, (name, peer), free, LONGEST_OF_PAIR_S, now_s), self.wait_of_peer_s(peer, now_s))

    def wait_of_peer_s(self, peer: str, now_s: float) -> float:
        return _left(self._peers, peer, _FREE_OF_PEER, LONGEST_OF_PEER_S, now_s)

    def begin(self, name: str, peer: str, now_s: float) -> None:
        """An attempt, wrong unless `right` follows."""
        self._add(self._pairs, (name, peer), now_s)
        self._add(self._names, name, now_s)
        self._add(self._peers, peer, now_s)

    def right(self, name: str, peer: str) -> None:
        """The attempt was right: the pair begins anew, and the others lose this one."""
        self._pairs.pop((name, peer), None)
        for counts, key in ((self._names, name), (self._peers, peer)):
            wrong = counts.get(key)
            if wrong is not None:
                counts[key] = wrong._replace(times=wrong.times - 1)

    def begin_of_peer(self, peer: str, now_s: float) -> None:
        """An attempt without a name, with a code."""
        self._add(self._peers, peer, now_s)

    def right_of_peer(self, peer: str) -> None:
        wrong = self._peers.get(peer)
        if wrong is not None:
            self._peers[peer] = wrong._replace(times=wrong.times - 1)

    @property
    def size(self) -> int:
        return len(self._pairs) + len(self._names) + len(self._peers)

    def _add(self, counts: "OrderedDict[K, _Wrong]", key: K, now_s: float) -> None:
        count = _count(counts, key, now_s)
        counts[key] = _Wrong(count + 1, now_s)
        counts.move_to_end(key)
        while len(counts) > self._most:
            counts.popitem(last=False)


def _count(counts: "OrderedDict[K, _Wrong]", key: K, now_s: float) -> int:
    wrong = counts.get(key)
    return 0 if wrong is None or now_s - wrong.last_s > _FORGOTTEN_S else wrong.times


def _left(counts: "OrderedDict[K, _Wrong]", key: K, free: int, longest_s: float, now_s: float) -> float:
    """Doubled with each beyond those that are free."""
    beyond = _count(counts, key, now_s) - free
    if beyond < 0:
        return 0.0
    return max(0.0, counts[key].last_s + min(_FIRST_S * 2.0 ** min(beyond, 20), longest_s) - now_s)
