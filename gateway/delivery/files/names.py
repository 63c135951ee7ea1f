"""Pure: how files of history are called: `site_2026-03-14_records.csv`, and by the time of day where each is shorter.

A name is the same on every file system: letters and digits of ASCII, - and _; anything else of a site's name is written
as % and its bytes in hexadecimal. So no name leads elsewhere, is hidden, or is a word that Windows keeps for itself.
Days and hours are those of UTC: each day has 24 of them, and none comes twice.
"""

import re
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

__all__ = [
    "DAY_S",
    "Unfinished",
    "final_name",
    "lock_name",
    "safe_name",
    "span_of",
    "state_name",
    "unfinished_name",
    "unfinished_of",
]

DAY_S = 86_400.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_UNFINISHED = re.compile(
    r"\.(?P<site>.+)_(?P<span>\d{4}-\d\d-\d\d(_\d{6})?)_(?P<sort>[a-z]+)(_(?P<part>\d+))?\.csv\.unfinished"
)


class Span(NamedTuple):
    """What one file is of: from `start` until before `end`, both UTC."""

    start: datetime
    end: datetime

    @property
    def name(self) -> str:
        is_day = (self.end - self.start).total_seconds() == DAY_S
        return f"{self.start:%Y-%m-%d}" if is_day else f"{self.start:%Y-%m-%d_%H%M%S}"


def span_of(instant: datetime, each_s: float) -> Span:
    """The one in which an instant lies. `each_s`, a whole number, is a part of a day."""
    each = timedelta(seconds=each_s)
    start = _EPOCH + (instant - _EPOCH) // each * each
    return Span(start, start + each)


def safe_name(name: str) -> str:
    """A site's name as it stands in the names of its files; no two of different sites are alike."""
    safe = "".join([c if c.isascii() and (c.isalnum() or c in "-_") else _escaped(c) for c in name])
    return safe if not safe.startswith("-") else f"%2D{safe[1:]}"


def _escaped(character: str) -> str:
    return "".join([f"%{byte:02X}" for byte in character.encode("utf-8", "surrogatepass")])


def final_name(site: str, span: Span, sort: str, part: int, ending: str) -> str:
    """`site` as `safe_name` has it. Parts count from 1: a second is there where rows came after the first was done."""
    return f"{site}_{span.name}_{sort}{'' if part == 1 else f'_{part}'}.{ending}"


def unfinished_name(site: str, span: Span, sort: str, part: int) -> str:
    """Hidden, and of no kind that an importer looks for."""
    return f".{final_name(site, span, sort, part, 'csv')}.unfinished"


class Unfinished(NamedTuple):
    """What the name of an unfinished file says."""

    sort: str
    span: Span
    """Of less than a day where there is a time in the name, of how much does not stand there: an hour."""
    part: int


def unfinished_of(name: str, site: str) -> Unfinished | None:
    """None: it is no such file of this site."""
    found = _UNFINISHED.fullmatch(name)
    if found is None or found["site"] != site:
        return None
    is_day = "_" not in found["span"]
    try:
        start = datetime.strptime(found["span"], "%Y-%m-%d" if is_day else "%Y-%m-%d_%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    span = Span(start, start + timedelta(seconds=DAY_S if is_day else 3600.0))
    return Unfinished(found["sort"], span, int(found["part"] or 1))


def state_name(site: str) -> str:
    """What the gateway has to remember of the folder, in the folder."""
    return f".{site}.tank-gateway.json"


def lock_name(site: str) -> str:
    return f".{site}.tank-gateway.lock"
