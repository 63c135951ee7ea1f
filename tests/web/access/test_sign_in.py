"""Signing in and out, joining by a code, new passwords: who gets a session, and what ends it."""

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path

import httpx
import pytest
from structlog.testing import capture_logs

from gateway.person import Role
from gateway.process.passwords import Passwords
from gateway.web.access.book import Account, Invitation
from gateway.web.access.cookies import cookie_name
from gateway.web.access.guard import PROOF_HEADER
from gateway.web.access.people import Changed, People
from tests.web.access.gate import PASSWORD, SITE, Gate, took_in

OTHER = "a barge of wet gravel"


async def _sign_in(client: httpx.AsyncClient, name: str, password: str = PASSWORD) -> httpx.Response:
    return await client.post("/api/1/sign-in", json={"name": name, "password": password})


async def _who(client: httpx.AsyncClient) -> str | None:
    person = (await client.get("/api/1/session")).json()["person"]
    return None if person is None else person["name"]


async def test_the_first_administrator_comes_by_a_code_and_there_is_nobody_before(gate: Gate) -> None:
    client = gate.client()
    for name in ("admin", "administrator", "root", ""):
        assert (await _sign_in(client, name, "")).status_code == 401
    code = await gate.invited("administrator")
    answer = await client.post("/api/1/join", json={"code": code, "name": "anna", "password": PASSWORD})
    took_in(client, answer)
    assert answer.json()["person"] == {"name": "anna", "role": "administrator", "signature": "anna@page"}
    assert "close-day" in answer.json()["may"]
    assert await _who(client) == "anna"
    kept = gate.path.read_text("utf-8")
    assert PASSWORD not in kept
    assert code not in kept
    assert gate.audited[-1][:2] == ({"action": "join", "name": "anna", "invited_by": "root"}, "anna@page")


async def test_a_code_is_good_for_one_use(gate: Gate) -> None:
    code = await gate.invited("viewer")
    client = gate.client()
    answer = await client.post("/api/1/join", json={"code": code, "name": "anna", "password": PASSWORD})
    assert answer.status_code == 200
    answer = await client.post("/api/1/join", json={"code": code, "name": "bo", "password": PASSWORD})
    assert answer.status_code == 401
    assert "not known here, was used, or has expired" in answer.json()["lines"][0]


async def test_two_who_come_with_one_code_at_once_are_one(gate: Gate) -> None:
    code = await gate.invited("viewer")
    clients = [gate.client(f"192.0.2.{number}") for number in range(8)]
    answers = await asyncio.gather(
        *(
            client.post("/api/1/join", json={"code": code, "name": f"name {number}", "password": PASSWORD})
            for number, client in enumerate(clients)
        )
    )
    assert sorted(answer.status_code for answer in answers) == [200] + [401] * 7
    assert len(gate.access.people.accounts) == 1


@pytest.mark.parametrize(("role", "lasts_s"), [("viewer", 86_400.0), ("administrator", 3_600.0)])
async def test_a_code_ends_by_itself(gate: Gate, role: str, lasts_s: float) -> None:
    code = await gate.invited(role)
    gate.clock.pass_by(lasts_s - 1.0)
    answer = await gate.client().post("/api/1/join", json={"code": code, "name": "anna", "password": "short"})
    assert answer.status_code == 409, "the code is good, the password is not; it stays open"
    gate.clock.pass_by(1.0)
    answer = await gate.client().post("/api/1/join", json={"code": code, "name": "anna", "password": PASSWORD})
    assert answer.status_code == 401


async def test_a_code_for_somebody_is_for_nobody_else_and_no_open_code_takes_a_name(gate: Gate) -> None:
    anna = gate.client()
    await gate.joined(anna, "anna", "administrator")
    for code, name, why in (
        (await gate.invited("viewer", "bo"), "carl", "this code is for bo"),
        (await gate.invited("viewer"), "anna", "anna is here already"),
        (await gate.invited("viewer"), "аnna", "looks like anna"),
        (await gate.invited("viewer"), "ann@page", "cannot be a name"),
        (await gate.invited("viewer"), "", "1 to 40 characters"),
    ):
        answer = await gate.client().post("/api/1/join", json={"code": code, "name": name, "password": PASSWORD})
        assert answer.status_code == 409
        assert why in answer.json()["lines"][0]
    assert gate.access.people.accounts["anna"].role is Role.ADMINISTRATOR
    assert await _who(anna) == "anna"


async def test_a_session_is_new_at_each_sign_in_and_a_planted_one_is_none(gate: Gate) -> None:
    """Fixation: what somebody puts into a browser before is not what it has after."""
    client = gate.client()
    name = cookie_name(SITE, secure=False)
    client.cookies.set(name, "planted-by-somebody-else", domain="gate.example")
    await gate.joined(client, "anna", "operator")
    first = client.cookies[name]
    assert first != "planted-by-somebody-else"
    took_in(client, await _sign_in(client, "anna"))
    second = client.cookies[name]
    assert second != first
    other = gate.client()
    other.cookies.set(name, first, domain="gate.example")
    assert await _who(other) is None, "the one before has ended"
    assert await _who(client) == "anna"


async def test_the_cookie_is_for_this_host_and_no_script(gate: Gate) -> None:
    code = await gate.invited("viewer")
    for base, starts, ends in (
        ("http://gate.example", "tank-gateway-", "HttpOnly; SameSite=Strict"),
        ("https://gate.example", "__Host-tank-gateway-", "HttpOnly; SameSite=Strict; Secure"),
    ):
        if base.startswith("https"):
            code = await gate.invited(None, "anna")
        answer = await gate.client(base=base).post(
            "/api/1/join", json={"code": code, "name": "anna", "password": PASSWORD}
        )
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith(starts)
        assert cookie.endswith(f"; Path=/; Max-Age=604800; {ends}")
        assert "Domain" not in cookie
        assert cookie.partition("=")[2].partition(";")[0] not in answer.text, "no script reads it"


async def test_signing_out_ends_it_wherever_the_cookie_went(gate: Gate) -> None:
    client, tab, phone = gate.client(), gate.client(), gate.client("192.0.2.99")
    await gate.joined(client, "anna", "operator")
    tab.cookies.update(client.cookies)
    took_in(phone, await _sign_in(phone, "anna"))
    assert await _who(tab) == "anna", "two tabs share it"
    answer = await client.post("/api/1/sign-out")
    assert answer.status_code == 200
    assert answer.json()["person"] is None
    assert "Max-Age=0" in answer.headers["set-cookie"]
    assert [await _who(each) for each in (client, tab, phone)] == [None, None, "anna"]
    took_in(client, await _sign_in(client, "anna"))
    await client.post("/api/1/sign-out", json={"everywhere": True})
    assert await _who(phone) is None


@pytest.mark.parametrize("how", ["removed", "another role", "ended", "everybody ended", "a new password by a code"])
async def test_what_ends_the_sessions_of_a_person_and_of_nobody_else(gate: Gate, how: str) -> None:
    anna, bo = gate.client(), gate.client()
    await gate.joined(anna, "anna", "operator")
    await gate.joined(bo, "bo", "operator")
    if how == "removed":
        await gate.asked({"action": "people-remove", "name": "anna"})
        assert (await _sign_in(gate.client(), "anna")).status_code == 401
    elif how == "another role":
        await gate.asked({"action": "people-role", "name": "anna", "role": "viewer"})
        assert (await _sign_in(gate.client(), "anna")).json()["person"]["role"] == "viewer"
    elif how == "a new password by a code":
        code = await gate.invited(name="anna")
        answer = await gate.client().post("/api/1/join", json={"code": code, "name": "anna", "password": OTHER})
        assert answer.json()["person"] == {"name": "anna", "role": "operator", "signature": "anna@page"}
        assert (await _sign_in(gate.client(), "anna")).status_code == 401
        assert (await _sign_in(gate.client(), "anna", OTHER)).status_code == 200
    else:
        whom = {"name": "anna"} if how == "ended" else {}
        await gate.asked({"action": "people-end-sessions", **whom})
    assert await _who(anna) is None
    assert await _who(bo) == (None if how == "everybody ended" else "bo")


async def test_a_person_changes_his_password_by_the_old_one(gate: Gate) -> None:
    client, phone = gate.client(), gate.client("192.0.2.99")
    await gate.joined(client, "anna", "operator")
    took_in(phone, await _sign_in(phone, "anna"))
    answer = await client.post("/api/1/password", json={"old": "not that one at all", "new": OTHER})
    assert answer.status_code == 401
    answer = await client.post("/api/1/password", json={"old": PASSWORD, "new": "annaannaanna1"})
    assert answer.status_code == 409
    took_in(client, await client.post("/api/1/password", json={"old": PASSWORD, "new": OTHER}))
    assert await _who(client) == "anna"
    assert await _who(phone) is None
    assert (await _sign_in(gate.client(), "anna")).status_code == 401
    assert (await _sign_in(gate.client(), "anna", OTHER)).status_code == 200


async def test_a_session_that_has_ended_by_time_acts_no_more(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    assert (await client.post("/api/1/act", json={})).status_code == 200
    gate.clock.pass_by(12 * 3600.0)
    answer = await client.post("/api/1/act", json={})
    assert answer.status_code == 401
    assert answer.json() == {"code": 1, "lines": ["nobody is signed in, or no longer"], "hint": "sign in"}


async def test_names_that_nobody_has_are_told_from_others_by_nothing(gate: Gate) -> None:
    """Answer, waits and the work behind it, which is counted, as a clock would tell more of the machine than of us."""
    await gate.joined(gate.client(), "anna", "operator")
    told = []
    for name in ("anna", "nobody of this name"):
        client, passwords = gate.client("192.0.2.50"), gate.access.passwords
        answers = []
        for _ in range(7):
            before = passwords.work
            answer = await _sign_in(client, name, OTHER)
            headers = {key: value for key, value in answer.headers.items() if key != "date"}
            answers.append((answer.status_code, answer.text, headers, passwords.work - before))
        told.append(answers)
    assert told[0] == told[1]
    assert [(status, work) for status, _, _, work in told[0]] == [(401, 1)] * 5 + [(429, 0)] * 2


async def test_brute_force_waits_longer_and_longer_and_its_victim_does_not(gate: Gate) -> None:
    await gate.joined(gate.client(), "anna", "operator")
    thief = gate.client("198.51.100.9")
    waited = []
    for number in range(12):
        answer = await _sign_in(thief, "anna", f"guess number {number}")
        while answer.status_code == 429:
            wait_s = int(answer.headers["retry-after"])
            waited.append(wait_s)
            gate.clock.pass_by(wait_s)
            answer = await _sign_in(thief, "anna", f"guess number {number}")
        assert answer.status_code == 401
    assert waited == [1, 2, 4, 8, 16, 32, 64]
    assert (await _sign_in(thief, "anna")).status_code == 429, "even the right one waits, from there"
    assert (await _sign_in(gate.client("192.0.2.8"), "anna")).status_code == 200


async def test_guesses_at_once_are_no_more_than_one_after_the_other(gate: Gate) -> None:
    await gate.joined(gate.client(), "anna", "operator")
    before = gate.access.passwords.work
    thief = gate.client("198.51.100.9")
    answers = await asyncio.gather(*(_sign_in(thief, "anna", f"guess number {number}") for number in range(30)))
    assert sorted(answer.status_code for answer in answers) == [401] * 5 + [429] * 25
    assert gate.access.passwords.work - before == 5


async def test_codes_are_guessed_no_faster(gate: Gate) -> None:
    thief = gate.client("198.51.100.9")
    statuses = []
    for number in range(45):
        given = {"code": f"{number:026d}", "name": "anna", "password": PASSWORD}
        statuses.append((await thief.post("/api/1/join", json=given)).status_code)
    assert statuses == [401] * 40 + [429] * 5


async def test_too_many_at_once_are_told_to_come_again(gate: Gate) -> None:
    await gate.joined(gate.client(), "anna", "operator")
    clients = [gate.client(f"203.0.113.{number}") for number in range(60)]
    answers = await asyncio.gather(*(_sign_in(client, "anna") for client in clients))
    statuses = {answer.status_code for answer in answers}
    assert statuses == {200, 503}
    busy = next(answer for answer in answers if answer.status_code == 503)
    assert busy.headers["retry-after"] == "2"


async def test_who_fills_the_queue_makes_nobody_wait_longer_than_it_is_full(gate: Gate) -> None:
    """Sent away because of others is not wrong: ten times, and twice as many as are free, count as none."""
    owner = gate.client()
    await gate.joined(gate.client(), "anna", "operator")
    for _ in range(10):
        crowd = [_sign_in(gate.client(f"203.0.113.{number}"), f"nobody {number}") for number in range(16)]
        *_, answer = await asyncio.gather(*crowd, _sign_in(owner, "anna"))
        assert answer.status_code == 503
        gate.clock.pass_by(400.0)
    assert (await _sign_in(owner, "anna", "wrong" * 3)).status_code == 401
    assert (await _sign_in(owner, "anna")).status_code == 200, "five wrong ones are free, and this was one"


@pytest.mark.parametrize("change", [{"action": "people-role", "role": "viewer"}, {"action": "people-remove"}])
async def test_no_code_of_before_gives_back_what_was_taken_from_somebody(gate: Gate, change: dict[str, str]) -> None:
    """Neither one for a new password, which was made for the role of then, nor one that he has made himself."""
    anna = gate.client()
    await gate.joined(anna, "anna", "administrator")
    own = await gate.invited(None, "anna")
    answer = await anna.post("/api/1/people", json={"action": "people-invite", "role": "administrator"})
    kept = await gate.invited("viewer", "cy")
    assert (await gate.asked({"name": "anna", **change}))["code"] == 0
    for code, name in ((own, "anna"), (answer.json()["one_time_code"], "other")):
        given = {"code": code, "name": name, "password": PASSWORD}
        assert (await gate.client().post("/api/1/join", json=given)).status_code == 401, name
    assert {each.role for each in gate.access.people.accounts.values()} <= {Role.VIEWER}
    given = {"code": kept, "name": "cy", "password": PASSWORD}
    assert (await gate.client().post("/api/1/join", json=given)).status_code == 200


@pytest.mark.parametrize(
    "body",
    [
        "{",
        "[]",
        "{}",
        '{"name": "anna"}',
        '{"name": "anna", "password": 7}',
        '{"name": ["anna"], "password": "x"}',
        '{"name": "anna", "password": "x", "role": "administrator"}',
        '{"name": "anna", "password": null}',
        json.dumps({"name": "a" * 5000, "password": "x"}),
    ],
)
async def test_a_request_that_is_none_is_refused(gate: Gate, body: str) -> None:
    answer = await gate.client().post("/api/1/sign-in", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["code"] == 2


async def test_what_a_person_does_to_get_in_is_logged_without_a_secret(gate: Gate) -> None:
    with capture_logs() as logs:
        client = gate.client()
        code = await gate.invited("operator")
        given = {"code": code, "name": "anna", "password": PASSWORD}
        took_in(client, await client.post("/api/1/join", json=given))
        await client.post("/api/1/sign-out")
        await _sign_in(client, "anna")
        await _sign_in(client, "anna", OTHER)
        await _sign_in(client, PASSWORD, "anna")
    events = [line["event"] for line in logs]
    assert events == [
        "people.read",
        "access.joined",
        "access.signed_out",
        "access.signed_in",
        "access.sign_in_refused",
        "access.sign_in_refused",
    ]
    text = str(logs)
    assert not [secret for secret in (code, PASSWORD, OTHER, *client.cookies.values()) if secret in text]
    assert logs[-2]["name"] == "anna"
    assert logs[-1]["name"] == "unknown", "what was typed there may be a password"


async def test_an_old_hash_becomes_one_of_today_at_the_next_sign_in(gate: Gate) -> None:
    await gate.joined(gate.client(), "anna", "operator")
    gate.access.passwords = Passwords(memory_kib=8, passes=2)
    since = gate.access.people.accounts["anna"].since
    gate.clock.pass_by(60.0)
    took_in(gate.client(), await _sign_in(gate.client(), "anna"))
    assert gate.access.people.accounts["anna"].since == since, "it is no other password"
    assert ",t=2," in gate.access.people.accounts["anna"].password
    assert ",t=2," in gate.path.read_text("utf-8")


async def test_administrators_do_it_on_the_page_and_nobody_else(gate: Gate) -> None:
    anna, bo = gate.client(), gate.client()
    await gate.joined(anna, "anna", "administrator")
    await gate.joined(bo, "bo", "accountant")
    for client, status in ((anna, 200), (bo, 403), (gate.client(), 401)):
        assert (await client.get("/api/1/people")).status_code == status
        answer = await client.post("/api/1/people", json={"action": "people-invite", "name": "cy", "role": "viewer"})
        assert answer.status_code == status
    assert gate.audited[-1][1] == "anna@page"
    assert [each["name"] for each in (await anna.get("/api/1/people")).json()["codes"]] == ["cy"]
    answer = await anna.post("/api/1/people", json={"action": "people-role", "name": "bo", "role": "king"})
    assert answer.status_code == 422
    assert "one of viewer" in answer.json()["hint"]


async def test_where_there_is_no_place_for_people_nobody_signs_in_and_it_is_said(tmp_path: Path) -> None:
    gate = Gate(tmp_path)
    gate.access.people = People(None, gate.access.sessions)
    client = gate.client("127.0.0.1", base="http://127.0.0.1")
    answer = await _sign_in(client, "anna")
    assert answer.status_code == 503
    assert "TANK_GATEWAY_STATE" in answer.json()["hint"]
    assert "no place to keep people" in (await client.get("/api/1/session")).json()["trouble"]


async def test_a_request_with_a_proof_of_another_session_is_refused(gate: Gate) -> None:
    anna, bo = gate.client(), gate.client()
    await gate.joined(anna, "anna", "operator")
    await gate.joined(bo, "bo", "operator")
    bo.headers[PROOF_HEADER] = anna.headers[PROOF_HEADER]
    assert (await bo.post("/api/1/act", json={})).status_code == 403


async def test_names_of_open_invitations_are_nobody_elses(gate: Gate) -> None:
    """Two open codes for names that look alike would make two people who are taken for one another."""
    code = await gate.invited("operator", "anna")
    free = await gate.invited("administrator")
    for name in ("Anna", "аnna", "ANNA"):
        invited = await gate.asked({"action": "people-invite", "role": "viewer", "name": name})
        assert invited["code"] == 2
        assert "looks like anna" in invited["lines"][0]
    again = await gate.invited("technician", "anna")
    async with gate.client() as client:
        # Whoever has a free code is neither her, nor somebody whom her code would then take over.
        for name in ("anna", "аnna"):
            answer = await client.post("/api/1/join", json={"code": free, "name": name, "password": PASSWORD})
            assert answer.status_code == 409, answer.text
        assert (
            await client.post("/api/1/join", json={"code": code, "name": "", "password": PASSWORD})
        ).status_code == 401
        took_in(client, await client.post("/api/1/join", json={"code": again, "name": "", "password": PASSWORD}))
        # What has expired keeps no name.
        await gate.invited("viewer", "bo")
        gate.clock.pass_by(86_401.0)
        free = await gate.invited("viewer")
        took_in(client, await client.post("/api/1/join", json={"code": free, "name": "Bo", "password": PASSWORD}))


async def test_who_came_while_a_code_was_open_is_not_looked_like_by_it(gate: Gate) -> None:
    """As a file of people of an older version may have it: a code for a name that looks like somebody's."""
    code = await gate.invited("operator", "anna")

    def somebody(accounts: Mapping[str, Account], invitations: Mapping[str, Invitation]) -> Changed:
        return Changed({**accounts, "аnna": Account("аnna", Role.VIEWER, "$argon2id$", 1.0)}, invitations)

    await gate.access.people.change(somebody)
    async with gate.client() as client:
        answer = await client.post("/api/1/join", json={"code": code, "name": "", "password": PASSWORD})
        assert answer.status_code == 409
        assert "looks like" in answer.json()["lines"][0]
