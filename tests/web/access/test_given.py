"""Who came in by whom is kept: with the people, in the order in which it held."""

from pathlib import Path

from gateway.two_people import count_of, in_the_way
from gateway.web.access.administration import administer
from gateway.web.access.book import book_from
from tests.web.access.gate import PASSWORD, Gate, took_in


async def _joins(gate: Gate, code: str, name: str) -> None:
    async with gate.client() as client:
        took_in(client, await client.post("/api/1/join", json={"code": code, "name": name, "password": PASSWORD}))


async def _code(gate: Gate, by: str, **request: str) -> str:
    answer = await administer(gate.access, {"action": "people-invite", **request}, by)
    code: str = answer["one_time_code"]
    return code


async def test_invitations_codes_and_roles_are_kept_with_who_gave_them(tmp_path: Path) -> None:
    gate = Gate(tmp_path)
    await _joins(gate, await _code(gate, "root", role="administrator"), "anna")
    # It counts when somebody comes by it, and not when it is made.
    code = await _code(gate, "anna@page", role="viewer", name="bob")
    count = count_of(gate.access.people.given)
    assert len(gate.access.people.given) == 1
    await _joins(gate, code, "bob")
    await administer(gate.access, {"action": "people-role", "name": "bob", "role": "administrator"}, "carl@page")
    await _joins(gate, await _code(gate, "anna@page", name="bob"), "bob")
    expected = [
        ("anna", "root", "invited"),
        ("bob", "anna@page", "invited"),
        ("bob", "carl@page", "role"),
        ("bob", "anna@page", "password"),
    ]
    assert [each[1:4] for each in gate.access.people.given] == expected
    numbers = [each.number for each in gate.access.people.given]
    assert numbers == sorted(set(numbers))
    assert in_the_way("anna@page", "bob@page", count, gate.access.people.given)
    # Who is removed and invited again has come in again.
    await administer(gate.access, {"action": "people-remove", "name": "bob"}, "anna@page")
    assert [each[1:4] for each in gate.access.people.given] == expected
    await _joins(gate, await _code(gate, "anna@page", role="administrator"), "bob")
    assert gate.access.people.given[-1][1:4] == ("bob", "anna@page", "invited")
    assert book_from(gate.path.read_text("utf-8")).given == gate.access.people.given
    gate.end()


async def test_nobody_is_given_what_he_chose_himself(tmp_path: Path) -> None:
    """A password by the old one is his own."""
    gate = Gate(tmp_path)
    async with gate.client() as client:
        await gate.joined(client, "anna", "viewer")
        before = gate.access.people.given
        answer = await client.post("/api/1/password", json={"old": PASSWORD, "new": "eleven slow ferries cross"})
        assert answer.status_code == 200, answer.text
        assert gate.access.people.given == before
    gate.end()
