"""What waits for a second person, where the site asks for one: asked by one, approved or declined by another.

Without I/O or clock. What waits has changed nothing, and is checked anew when it is approved, as time has passed.
Separation of duties is common practice; what of a site needs it, its procedures say.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, NamedTuple

from gateway.actions.checking import checked_model
from gateway.errors import SettingsError
from gateway.settings.reading.fields import Section, Text, Whole
from gateway.two_people import Given, count_of, in_the_way

__all__ = [
    "SECOND_PERSON_ACTIONS",
    "WAITS",
    "Approve",
    "Decline",
    "SecondPerson",
    "Waiting",
    "read_decision",
    "request_body",
    "request_key",
    "waiting_document",
]

REQUEST_SCHEMA = "tank-gateway/request/1"
WAITS = "waits"
LONGEST = timedelta(hours=24)
"""A shift after the next nobody knows any more why it was asked for."""
_MOST = 100


class Approve(Section):
    """`request`: its number."""

    action: Literal["approve"]
    request: Whole
    why: Text | None = None


class Decline(Section):
    """Also by whoever asked: then it is taken back."""

    action: Literal["decline"]
    request: Whole
    why: Text


SECOND_PERSON_ACTIONS: Mapping[str, type[Approve] | type[Decline]] = {"approve": Approve, "decline": Decline}


class Waiting(NamedTuple):
    """What somebody has asked for."""

    number: int
    asked: Mapping[str, Any]
    by: str
    at: datetime
    ends: datetime
    """When it is forgotten."""
    lines: tuple[str, ...]
    """What it would have done when it was asked for."""
    given: int = 0
    """How much people had been given by others then, by `count_of`."""


class SecondPerson:
    """All that waits. `know` tells it what was kept of it before."""

    def __init__(self) -> None:
        self.actions: frozenset[str] = frozenset()
        """Those that a second person approves."""
        self._waiting: dict[int, Waiting] = {}
        self._numbers = 0

    def know(self, kept: Iterable[str]) -> None:
        """The newest word on each request that was kept, as `request_body` gave it. What is no such word is nothing."""
        for text in kept:
            try:
                waiting, waits = _request_from(text)
            except ValueError:
                continue
            self._numbers = max(self._numbers, waiting.number)
            if waits:
                self._waiting[waiting.number] = waiting
            else:
                self._waiting.pop(waiting.number, None)

    def ask(
        self, asked: Mapping[str, Any], by: str, now: datetime, lines: tuple[str, ...], given: Sequence[Given] = ()
    ) -> Waiting:
        """`given`: what people have been given up to now. Raises SettingsError where too much waits, or the very same
        does."""
        waiting = self.waiting(now)
        if len(waiting) >= _MOST:
            raise SettingsError((f"{_MOST} requests wait for a second person already; have them approved or declined",))
        same = next((each for each in waiting if _matter(each.asked) == _matter(asked)), None)
        if same is not None:
            raise SettingsError((f"the same waits already as request {same.number}, asked for by {same.by}",))
        self._numbers += 1
        made = Waiting(self._numbers, dict(asked), by, now, now + LONGEST, lines, count_of(given))
        self._waiting[made.number] = made
        return made

    def waiting(self, now: datetime) -> tuple[Waiting, ...]:
        """The oldest first; what is too old is forgotten."""
        self._waiting = {number: each for number, each in self._waiting.items() if now < each.ends}
        return tuple(self._waiting.values())

    def found(self, decision: Approve | Decline, by: str, now: datetime, given: Sequence[Given] = ()) -> Waiting:
        """What the decision is about. `given`: what people have been given up to now. Raises SettingsError where this
        person may not decide on it, or it is gone."""
        waiting = self.waiting(now)
        found = next((each for each in waiting if each.number == decision.request), None)
        if found is None:
            known = ", ".join(str(each.number) for each in waiting)
            text = f"there wait {known}" if known else "nothing waits for a second person"
            raise SettingsError((f"request: {decision.request} does not wait, or no longer; {text}",))
        if isinstance(decision, Approve) and (why_not := in_the_way(found.by, by, found.given, given)):
            raise SettingsError((f"request: {found.number} {why_not}",))
        return found

    def take(self, waiting: Waiting) -> None:
        """It waits no more."""
        self._waiting.pop(waiting.number, None)

    def put_back(self, waiting: Waiting) -> None:
        """It could not be done, and waits as before."""
        self._waiting[waiting.number] = waiting


def request_key(waiting: Waiting) -> str:
    """By which it is known where it is kept."""
    return f"request {waiting.number}"


def request_body(waiting: Waiting, state: str) -> str:
    """As it is kept. `state`: `waits`, or what has become of it."""
    about = {"schema": REQUEST_SCHEMA, "key": request_key(waiting), "state": state, "given": waiting.given}
    kept = {**about, **waiting_document(waiting)}
    return json.dumps(kept)


def _request_from(text: str) -> tuple[Waiting, bool]:
    """And whether it waits. Raises ValueError for what `request_body` did not give."""
    plain = json.loads(text)
    if not isinstance(plain, dict) or plain.get("schema") != REQUEST_SCHEMA:
        raise ValueError(f"it is no '{REQUEST_SCHEMA}'")
    try:
        at, ends = (datetime.fromisoformat(plain[name]) for name in ("at", "ends"))
        asked = {str(key): str(value) for key, value in plain["asked"].items()}
        lines = tuple(str(line) for line in plain["lines"])
        # What was kept before anything was counted has 0, and so had the count.
        given = int(plain.get("given", 0))
        waiting = Waiting(int(plain["request"]), asked, str(plain["by"]), at, ends, lines, given)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"it lacks {error}") from error
    if at.tzinfo is None or ends.tzinfo is None:
        raise ValueError("its times have no zone")
    return waiting, plain.get("state") == WAITS


def read_decision(given: Mapping[str, Any]) -> Approve | Decline:
    """Raises SettingsError with every mistake."""
    texts = {str(key): value for key, value in given.items() if isinstance(value, str) and value.isprintable()}
    if len(texts) != len(given):
        raise SettingsError(("a request is texts alone",))
    return checked_model(SECOND_PERSON_ACTIONS[texts["action"]], texts)


def waiting_document(waiting: Waiting) -> dict[str, Any]:
    """Plain values."""
    return {
        "request": waiting.number,
        "asked": dict(waiting.asked),
        "by": waiting.by,
        "at": _iso(waiting.at),
        "ends": _iso(waiting.ends),
        "lines": list(waiting.lines),
    }


def _matter(asked: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in asked.items() if key != "why"}


def _iso(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
