"""What an answer of an HTTP server means for what was sent (RFC 9110, section 15)."""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import NamedTuple
from urllib.parse import urljoin, urlsplit

from gateway.delivery.faults import FaultKind

__all__ = ["Answer", "Verdict", "redirected", "verdict_of"]

_FOR_GOOD = frozenset({400, 404, 410, 413, 422})
"""The same request can never be taken."""
_FORBIDDEN = frozenset({401, 403, 407})
_PASSING = frozenset({408, 409, 421, 423, 425, 429})
"""Too slow, just being taken in, not here, held, too early, too many."""
_LONGEST_TOLD = 200


class Answer(NamedTuple):
    status: int
    text: str
    """The beginning of its body."""
    retry_after: str | None = None
    location: str | None = None
    date: str | None = None


class Verdict(NamedTuple):
    kind: FaultKind | None
    """None: taken."""
    text: str = ""
    wait_s: float | None = None
    """When the server wishes to be asked again."""


def verdict_of(answer: Answer) -> Verdict:
    """What is to be done."""
    status = answer.status
    told = " ".join(answer.text.split())[:_LONGEST_TOLD]
    text = f"server answers {status}" + (f": {told}" if told else "")
    if 200 <= status < 300:
        return Verdict(None)
    if status in _FOR_GOOD:
        return Verdict(FaultKind.ENTRY, text)
    if status in _FORBIDDEN:
        return Verdict(FaultKind.PERSON, f"{text}; is the secret right?")
    if 300 <= status < 400:
        return Verdict(FaultKind.PERSON, f"server sends us elsewhere ({status}); write the address where it is now")
    if status in _PASSING or status >= 500:
        return Verdict(FaultKind.PASSING, text, _wait_s(answer))
    return Verdict(FaultKind.PERSON, text)


def redirected(url: str, answer: Answer) -> str | None:
    """Where the same request is to be made again; None unless that is at the same server, in the same way.

    Another host would get what is meant for this one. 301, 302 and 303 are no such wish: many clients take them for
    one to ask without a body.
    """
    if answer.status not in (307, 308) or not answer.location:
        return None
    try:
        target = urljoin(url, answer.location)
        before, after = urlsplit(url), urlsplit(target)
        same = (before.scheme, before.hostname, before.port) == (after.scheme, after.hostname, after.port)
    except ValueError:
        return None
    return target if same and after.username is None and after.password is None else None


def _wait_s(answer: Answer) -> float | None:
    """RFC 9110, section 10.2.3: seconds, or a date, which counts from the server's own."""
    wish = (answer.retry_after or "").strip()
    if wish.isascii() and wish.isdecimal():
        return float(wish[:9])
    if not wish or answer.date is None:
        return None
    try:
        until, now = _instant(wish), _instant(answer.date)
    except (ValueError, TypeError, IndexError):
        return None
    return max(0.0, (until - now).total_seconds())


def _instant(text: str) -> datetime:
    found = parsedate_to_datetime(text)
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
