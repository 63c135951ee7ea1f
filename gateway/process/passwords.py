"""Passwords: which may be chosen, and argon2id in a thread of its own.

One after the other, and few at once: a hundred people who sign in together wait for one another, and nothing waits for
them. What it costs is RFC 9106's second choice brought down to what the smallest machines bear: 19 MiB, two passes, one
lane, some 30 ms (OWASP's guidance for storing passwords, from memory).
"""

import asyncio
import re
from collections.abc import Callable, Iterable
from typing import TypeVar

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from gateway.errors import GatewayError
from gateway.process.one_thread import OneThread

__all__ = ["LONGEST", "SHORTEST", "BusyError", "Passwords", "trouble_with"]

SHORTEST = 12
LONGEST = 256
_MOST_WAITING = 16
"""Half a second of work. Who comes then is told to come again."""
_FEWEST_DIFFERENT = 5
_MEMORY_KIB = 19 * 1024
_PASSES = 2

# Words that lists of the commonest passwords begin with, from memory; longer ones are made of them, as it has to be.
_COMMON_TEXT = """
    access admin administrator azerty baseball batman changeme charlie chocolate computer daniel default dragon
    flower football freedom gateway guest hello hunter iloveyou jennifer jordan letmein login lovely master michael
    monkey mustang network ninja operator passw0rd password passwort pokemon princess qazwsx qwerty qwertz robert root
    samsung secret server service shadow starwars summer sunshine superman system tank technician tigger trustno test
    user viewer welcome whatever winter accountant spring autumn
"""
_COMMON = frozenset(_COMMON_TEXT.split())
_RUNS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890123456789",
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm",
)
_LEET = str.maketrans("013457@$!", "oieastasi")
_NO_LETTER = re.compile(r"[^a-z]+")
_SHORTEST_RUN = 4

T = TypeVar("T")


class BusyError(GatewayError):
    """Too many sign in at once. Trying again in a second or two helps."""


def trouble_with(password: str, words: Iterable[str] = ()) -> str | None:
    """Why nobody may have this password, as a sentence; None where there is nothing to say.

    `words`: what everybody here would try first: the name of the person and of the site. Any characters may be in it.
    """
    if len(password) < SHORTEST:
        return f"a password has {SHORTEST} characters at least; four words that have nothing to do with each other do"
    if len(password) > LONGEST:
        return f"a password has {LONGEST} characters at most"
    if len(set(password)) < _FEWEST_DIFFERENT:
        return f"a password has {_FEWEST_DIFFERENT} different characters at least"
    if _is_common(password.lower(), words):
        return (
            "this is among the passwords that are tried first: common words, rows of keys, names of here; take another"
        )
    return None


def _is_common(text: str, words: Iterable[str]) -> bool:
    """Whether common words, runs and repetitions are all there is but for a few characters."""
    own = {_NO_LETTER.sub("", part) for word in words for part in (word.lower(), *re.split(r"\W+|_", word.lower()))}
    known = sorted(_COMMON | {word for word in own if len(word) >= 3}, key=len, reverse=True)
    return any(_rest(_without_runs(each), known) < SHORTEST // 2 for each in (text, text.translate(_LEET)))


def _rest(text: str, known: Iterable[str]) -> int:
    """How many different characters are left over when known words are taken out."""
    for word in known:
        text = text.replace(word, "")
    return len(set(text))


def _without_runs(text: str) -> str:
    """Runs of the alphabet and of keys, forwards and backwards, taken out."""
    for run in (*_RUNS, *(run[::-1] for run in _RUNS)):
        at = 0
        while at < len(text):
            end = at + _SHORTEST_RUN
            while end <= len(text) and text[at:end] in run:
                end += 1
            if end > at + _SHORTEST_RUN:
                text = text[:at] + text[end - 1 :]
            else:
                at += 1
    return text


class Passwords:
    """From the loop. `work` counts how often argon2 was done, so that a test need not look at a clock."""

    def __init__(self, *, memory_kib: int = _MEMORY_KIB, passes: int = _PASSES) -> None:
        self._hasher = PasswordHasher(time_cost=passes, memory_cost=memory_kib, parallelism=1)
        self._thread = OneThread("passwords")
        self._waiting = 0
        self._of_nobody: str | None = None
        self.work = 0

    async def hashed(self, password: str) -> str:
        """Raises BusyError."""
        return await self._do(lambda: self._hash(password))

    async def matches(self, kept: str | None, password: str) -> bool:
        """Whether it is the one that was hashed. `kept` is None where there is no such person, which takes the same
        work. Raises BusyError."""
        return await self._do(lambda: self._verify(kept, password))

    def is_outdated(self, kept: str) -> bool:
        """Whether it was made with other costs than now."""
        try:
            return self._hasher.check_needs_rehash(kept)
        except InvalidHashError:
            return True

    def _hash(self, password: str) -> str:
        self.work += 1
        return self._hasher.hash(_bytes(password))

    def _verify(self, kept: str | None, password: str) -> bool:
        if self._of_nobody is None:
            # Before the first comparison of all, whoever it is for, so that it tells nothing.
            self._of_nobody = self._hasher.hash(b"nobody has this password, as nobody is compared with it")
        self.work += 1
        try:
            return self._hasher.verify(self._of_nobody if kept is None else kept, _bytes(password)) and kept is not None
        except (Argon2Error, InvalidHashError):
            return False

    def refuse_where_busy(self) -> None:
        """Raises BusyError. What follows at once, without others having their turn, is let in."""
        if self._waiting >= _MOST_WAITING:
            raise BusyError("too many people sign in at this moment; try again in a few seconds")

    async def _do(self, call: Callable[[], T]) -> T:
        self.refuse_where_busy()
        self._waiting += 1
        future = self._thread.do(call)
        loop = asyncio.get_running_loop()
        future.add_done_callback(lambda _: _tell(loop, self._done))
        return await asyncio.wrap_future(future)

    def _done(self) -> None:
        self._waiting -= 1


def _tell(loop: asyncio.AbstractEventLoop, call: Callable[[], None]) -> None:
    try:
        loop.call_soon_threadsafe(call)
    except RuntimeError:
        return  # the loop has ended: nobody counts


def _bytes(password: str) -> bytes:
    """As it was sent: neither cut nor changed. A lone surrogate, which JSON can hold, is no less a character."""
    return password.encode("utf-8", "surrogatepass")
