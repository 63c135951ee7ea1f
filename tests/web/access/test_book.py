"""The file of people: what is written is read again, and what is wrong is told by its line."""

import json
from contextlib import suppress
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.person import Role
from gateway.two_people import GIFTS, Given
from gateway.web.access.book import Account, Book, Invitation, PeopleFileError, SessionRecord, book_from, lines_of

HASH = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$aGFzaA"
_TEXT = st.text(st.characters(codec="utf-8"), min_size=1, max_size=20)
_TIMES = st.floats(0.0, 1e10, allow_nan=False)


@given(st.data())
def test_what_is_kept_is_read_again(data: st.DataObject) -> None:
    roles = st.sampled_from(list(Role))
    names = data.draw(st.lists(_TEXT, unique=True, min_size=1, max_size=5))
    accounts = {name: Account(name, data.draw(roles), HASH, data.draw(_TIMES)) for name in names}
    keys = data.draw(st.lists(_TEXT, unique=True, max_size=5))
    whose = st.none() | _TEXT
    invitations = {key: Invitation(key, data.draw(roles), data.draw(whose), data.draw(_TIMES), "root") for key in keys}
    sessions = {
        key: SessionRecord(key, data.draw(st.sampled_from(names)), data.draw(_TIMES), data.draw(_TIMES)) for key in keys
    }
    counts = st.integers(1, 10**9)
    given_to = st.builds(Given, counts, _TEXT, _TEXT, st.sampled_from(GIFTS), _TIMES)
    book = Book(accounts, invitations, sessions, given=tuple(data.draw(st.lists(given_to, max_size=5))))
    assert book_from("".join(lines_of(book))) == book


@dataclass(frozen=True)
class Wrong:
    line: str
    says: str


HEAD = '{"schema": "tank-gateway/people/1", "lines": 2}'
GOOD = json.dumps({"person": Account("anna", Role.VIEWER, HASH, 1.0)._asdict()})
WRONG = [
    Wrong("{", "line 3: is no JSON: "),
    Wrong("[]", "line 3: is no JSON object"),
    Wrong("{}", "line 3: is none of person, invitation, session, guest, given"),
    Wrong('{"person": {"name": "bo", "role": "king"}}', "line 3: role: 'king' is none of viewer, operator, "),
    Wrong('{"person": {"name": "", "role": "viewer"}}', "line 3: name: is no text"),
    Wrong('{"person": {"name": "bo", "role": "viewer", "password": "secret", "since": 1}}', "password: is no argon2id"),
    Wrong(GOOD, "line 3: name: 'anna' stands there twice"),
    Wrong(
        '{"session": {"key": "a", "name": "anna", "begun": true, "seen": 1}}', "line 3: begun: is no time in seconds"
    ),
    Wrong('{"invitation": {"key": "a", "role": "viewer", "until": -1, "by": "root"}}', "line 3: until: is no time"),
    Wrong("[" * 100_000, "line 3: is no JSON: "),
]


@pytest.mark.parametrize("wrong", WRONG, ids=lambda each: each.says[:30])
def test_what_is_wrong_is_told_by_its_line(wrong: Wrong) -> None:
    with pytest.raises(PeopleFileError) as caught:
        book_from(f"{HEAD}\n{GOOD}\n{wrong.line}\n")
    assert wrong.says in str(caught.value)
    assert caught.value.line == 3


def test_a_file_that_breaks_off_between_two_lines_is_no_shorter_file() -> None:
    with pytest.raises(PeopleFileError, match="line 1: says that 2 lines follow, and 1 do"):
        book_from(f"{HEAD}\n{GOOD}\n")
    with pytest.raises(PeopleFileError, match="line 1: is of schema 'tank-gateway/people/2'"):
        book_from('{"schema": "tank-gateway/people/2", "lines": 0}\n')


@given(st.text(max_size=200))
def test_any_text_is_a_book_or_a_line_that_is_wrong(text: str) -> None:
    with suppress(PeopleFileError):
        book_from(f"{HEAD}\n{text}")
    with pytest.raises(PeopleFileError):
        book_from(text)


def test_a_session_of_nobody_is_none() -> None:
    text = '{"session": {"key": "a", "name": "gone", "begun": 1, "seen": 1}}'
    assert book_from(f"{HEAD}\n{GOOD}\n{text}").sessions == {}
