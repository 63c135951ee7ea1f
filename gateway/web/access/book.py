"""Pure: the people of a site, the codes that are open, and the sessions, as they stand and as they are kept.

A line of JSON each, so that what is wrong with a file is told by its line, and a person can mend it. The first line
says how many follow: a file that breaks off between two lines is no shorter file.
"""

import json
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from gateway.errors import GatewayError
from gateway.person import Role
from gateway.two_people import GIFTS, Given

__all__ = [
    "PEOPLE_SCHEMA",
    "Account",
    "Book",
    "Guest",
    "Invitation",
    "PeopleFileError",
    "SessionRecord",
    "book_from",
    "invited_names",
    "lines_of",
]

PEOPLE_SCHEMA = "tank-gateway/people/1"
_KINDS = ("person", "invitation", "session", "guest", "given")


class PeopleFileError(GatewayError):
    """The file of people cannot be understood. It is left as it is; mending it helps."""

    hint = "nobody can sign in until it is mended or moved away; nothing is written to it meanwhile"

    def __init__(self, line: int, cause: str) -> None:
        self.line = line
        self.cause = cause
        super().__init__(f"line {line}: {cause}")


class Account(NamedTuple):
    """Somebody who has a password. Times: UTC, seconds since the epoch."""

    name: str
    role: Role
    password: str
    """By argon2id, with its salt and costs."""
    since: float
    """The password's."""


class Invitation(NamedTuple):
    """A one-time code that is open."""

    key: str
    """The hash of the code."""
    role: Role
    name: str | None
    """Who is meant: somebody new, or somebody here who gets a new password; None: whoever has it chooses."""
    until: float
    by: str


class Guest(NamedTuple):
    """Somebody who came by a provider. A name is that of one subject for good: entries and the audit trail have it."""

    name: str
    """With the @ and the name of the provider."""
    issuer: str
    subject: str
    """Who that is there, whatever name is shown."""
    role: Role
    """When he came last."""
    since: float


def invited_names(invitations: Mapping[str, Invitation], now: float) -> tuple[str, ...]:
    """For whom a code is open."""
    return tuple(each.name for each in invitations.values() if each.name is not None and each.until > now)


class SessionRecord(NamedTuple):
    """Somebody is signed in."""

    key: str
    """The hash of what the cookie has."""
    name: str
    begun: float
    seen: float
    role: Role | None = None
    """Of a guest, which holds as long as the session."""
    mark: str = ""
    """Of what the site file said of the provider then; empty: by a password of here."""


class Book(NamedTuple):
    """By name, and by key."""

    accounts: Mapping[str, Account]
    invitations: Mapping[str, Invitation]
    sessions: Mapping[str, SessionRecord]
    guests: Mapping[str, Guest] = MappingProxyType({})
    given: tuple[Given, ...] = ()
    """Who came in by whom, or has a password or a role from there."""


def lines_of(book: Book) -> Iterator[str]:
    """The text of the file, line by line."""
    records = (
        *({"person": account._asdict()} for account in book.accounts.values()),
        *({"invitation": invitation._asdict()} for invitation in book.invitations.values()),
        *({"guest": guest._asdict()} for guest in book.guests.values()),
        *({"given": given._asdict()} for given in book.given),
        *({"session": _told(session)} for session in book.sessions.values()),
    )
    for document in ({"schema": PEOPLE_SCHEMA, "lines": len(records)}, *records):
        yield json.dumps(document, ensure_ascii=False) + "\n"


def _told(session: SessionRecord) -> dict[str, Any]:
    """What is of guests alone stands with them alone."""
    fields = session._asdict()
    return fields if session.mark else {key: each for key, each in fields.items() if key not in ("role", "mark")}


def book_from(text: str) -> Book:
    """What a file says. Raises PeopleFileError, which names the line."""
    # Not splitlines(): a name has no line break of any kind, and this must count as an editor does.
    lines = text.removesuffix("\n").split("\n")
    head = _object(1, lines[0])
    schema = head.get("schema")
    if schema != PEOPLE_SCHEMA:
        raise PeopleFileError(1, f"is of schema {schema!r:.60}, and this version reads {PEOPLE_SCHEMA}")
    if head.get("lines") != len(lines) - 1:
        raise PeopleFileError(1, f"says that {head.get('lines')!r:.20} lines follow, and {len(lines) - 1} do")
    accounts: dict[str, Account] = {}
    invitations: dict[str, Invitation] = {}
    sessions: dict[str, SessionRecord] = {}
    guests: dict[str, Guest] = {}
    given: list[Given] = []
    for number, line in enumerate(lines[1:], start=2):
        document = _object(number, line)
        kind, fields = next(iter(document.items()), ("", None))
        if len(document) != 1 or kind not in _KINDS or not isinstance(fields, dict):
            raise PeopleFileError(number, f"is none of {', '.join(_KINDS)}")
        if kind == "person":
            account = Account(
                _text(number, fields, "name"),
                _role(number, fields),
                _text(number, fields, "password"),
                _time(number, fields, "since"),
            )
            if not account.password.startswith("$argon2id$"):
                raise PeopleFileError(number, "password: is no argon2id hash; invite the person anew instead")
            if account.name in accounts:
                raise PeopleFileError(number, f"name: '{account.name}' stands there twice")
            accounts[account.name] = account
        elif kind == "invitation":
            name = None if fields.get("name") is None else _text(number, fields, "name")
            key, until = _text(number, fields, "key"), _time(number, fields, "until")
            invitations[key] = Invitation(key, _role(number, fields), name, until, _text(number, fields, "by"))
        elif kind == "guest":
            guest = _guest(number, fields)
            guests[guest.name] = guest
        elif kind == "given":
            given.append(_given(number, fields))
        else:
            session = _session(number, fields)
            sessions[session.key] = session
    known = {key: each for key, each in sessions.items() if each.name in (guests if each.mark else accounts)}
    return Book(accounts, invitations, known, guests, tuple(given))


def _given(number: int, fields: Mapping[str, Any]) -> Given:
    count, what = fields.get("number"), _text(number, fields, "what")
    if isinstance(count, bool) or not isinstance(count, int) or count < 1:
        raise PeopleFileError(number, "number: is no whole number from 1")
    if what not in GIFTS:
        raise PeopleFileError(number, f"what: {what!r:.40} is none of {', '.join(GIFTS)}")
    return Given(count, _text(number, fields, "to"), _text(number, fields, "by"), what, _time(number, fields, "at"))


def _guest(number: int, fields: Mapping[str, Any]) -> Guest:
    name = _text(number, fields, "name")
    if "@" not in name:
        raise PeopleFileError(number, "name: has no @, as those of guests have")
    issuer, subject = _text(number, fields, "issuer"), _text(number, fields, "subject")
    return Guest(name, issuer, subject, _role(number, fields), _time(number, fields, "since"))


def _session(number: int, fields: Mapping[str, Any]) -> SessionRecord:
    key, name = _text(number, fields, "key"), _text(number, fields, "name")
    begun, seen = _time(number, fields, "begun"), _time(number, fields, "seen")
    if "mark" not in fields:
        return SessionRecord(key, name, begun, seen)
    return SessionRecord(key, name, begun, seen, _role(number, fields), _text(number, fields, "mark"))


def _object(number: int, line: str) -> dict[str, Any]:
    try:
        document = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise PeopleFileError(number, f"is no JSON: {error!s:.100}") from None
    if not isinstance(document, dict):
        raise PeopleFileError(number, "is no JSON object")
    return document


def _text(number: int, fields: Mapping[str, Any], key: str) -> str:
    value = fields.get(key)
    if not isinstance(value, str) or not value:
        raise PeopleFileError(number, f"{key}: is no text")
    return value


def _time(number: int, fields: Mapping[str, Any], key: str) -> float:
    value = fields.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value < 1e11:
        raise PeopleFileError(number, f"{key}: is no time in seconds since 1970")
    return float(value)


def _role(number: int, fields: Mapping[str, Any]) -> Role:
    try:
        return Role(_text(number, fields, "role"))
    except ValueError:
        known = ", ".join(role.value for role in Role)
        raise PeopleFileError(number, f"role: {fields['role']!r:.40} is none of {known}") from None
