"""Pure: what waits for a second person, which change came last, and what a site file was before, as they are kept."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from gateway.errors import GatewayError

__all__ = ["LONGEST", "Change", "Proposal", "Step", "Version", "iso", "read_kept", "waits_at", "written"]

LONGEST = timedelta(days=7)
"""A week after it nobody remembers what the site was when it was written."""
_SCHEMA = "tank-gateway/site-file/1"


class Step:
    """How far a change is."""

    WRITING = "writing"
    """The file may be the one or the other: which it is, it says itself."""
    DONE = "done"
    REFUSED = "refused"
    """The gateway could not go by it, and the file is as it was before."""


class Proposal(NamedTuple):
    """A site file that somebody proposes, with the tables that are to lie beside it."""

    number: int
    text: str
    tables: Mapping[str, str]
    """By the names of their files, which are new."""
    based_on: str
    """SHA-256 of the site file on which it was written."""
    beside: Mapping[str, str]
    """SHA-256 of each file that it names, by path, as it was checked."""
    sha256: str
    """Of the text."""
    by: str
    why: str
    at: str
    ends: str
    changes: tuple[str, ...]
    """What it would change, as it was told when it was proposed."""
    version: int = 0
    """Of a roll-back, the version that it goes back to; else 0."""
    state: str = "waits"
    """Or what has become of it: done, declined."""
    said: str = ""
    """What stood in the way when it was approved last."""
    given: int = 0
    """How much people had been given by others when it was proposed, by `two_people.count_of`."""


class Change(NamedTuple):
    """The last time that the file was replaced from here, or was to be."""

    id: str
    proposal: int
    version: int
    """Under which the file of before is kept."""
    before: str
    after: str
    """SHA-256 of both."""
    tables: Mapping[str, str]
    """SHA-256 of the new tables beside it, by name."""
    by: str
    approved_by: str
    why: str
    why_approved: str
    at: str
    step: str
    is_audited: bool
    lines: tuple[str, ...] = ()
    both: str = ""
    """How it bears the two who stand for it, with what is to be known of them."""


class Version(NamedTuple):
    """A site file as it was until it was replaced."""

    number: int
    sha256: str
    size: int
    kept_at: str
    replaced_by: str
    """Whose change took its place."""
    why: str


def waits_at(proposal: Proposal, now: datetime) -> bool:
    return proposal.state == "waits" and now < datetime.fromisoformat(proposal.ends)


def written(kept: Proposal | Change | Version) -> bytes:
    """From which `read_kept` makes it again."""
    return json.dumps({"schema": _SCHEMA, "kind": type(kept).__name__, **kept._asdict()}).encode()


def read_kept(kind: type[Any], data: bytes) -> Any:
    """Raises GatewayError for what `written` did not give."""
    try:
        plain = json.loads(data)
        if plain["schema"] != _SCHEMA or plain["kind"] != kind.__name__:
            raise ValueError("it is of another kind")
        given = {name: plain[name] for name in kind._fields if name in plain}
        return kind(**{name: tuple(value) if isinstance(value, list) else value for name, value in given.items()})
    except (ValueError, KeyError, TypeError) as error:
        raise GatewayError(f"it cannot be read: {error}") from error


def iso(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
