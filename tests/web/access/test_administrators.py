"""Several administrators at once: who is out when his turn comes does nothing any more."""

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import pytest

from gateway.process.passwords import Passwords
from gateway.web.access.book import Book
from gateway.web.access.people_file import PeopleFile
from tests.web.access.gate import PASSWORD, Gate, took_in

OTHER = "seven slow ferries cross"


class SlowDisk:
    """Writes of people wait until they are let go on."""

    def __init__(self, gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
        self.is_asked, self.goes_on = threading.Event(), threading.Event()
        written = PeopleFile.write

        def slowly(file: PeopleFile, book: Book) -> None:
            self.is_asked.set()
            assert self.goes_on.wait(20.0)
            written(file, book)

        monkeypatch.setattr(PeopleFile, "write", slowly)

    async def asked(self) -> None:
        assert await asyncio.to_thread(self.is_asked.wait, 20.0)


@asynccontextmanager
async def _signed_in(gate: Gate, name: str, role: str) -> AsyncIterator[httpx.AsyncClient]:
    async with gate.client() as client:
        await gate.joined(client, name, role)
        yield client


@pytest.mark.parametrize(
    "out",
    [
        {"action": "people-remove", "name": "bo"},
        {"action": "people-role", "name": "bo", "role": "viewer"},
        {"action": "people-end-sessions", "name": "bo"},
    ],
    ids=lambda each: str(each["action"]),
)
@pytest.mark.parametrize(
    "late",
    [
        {"action": "people-invite", "role": "administrator"},
        {"action": "people-role", "name": "ada", "role": "viewer"},
        {"action": "people-remove", "name": "ada"},
    ],
    ids=lambda each: str(each["action"]),
)
async def test_of_two_administrators_the_one_who_is_out_does_nothing_more(
    gate: Gate, monkeypatch: pytest.MonkeyPatch, out: dict[str, str], late: dict[str, str]
) -> None:
    """A code that somebody makes for himself while he is removed would let him in again."""
    async with _signed_in(gate, "ada", "administrator") as ada, _signed_in(gate, "bo", "administrator") as bo:
        disk = SlowDisk(gate, monkeypatch)
        first = asyncio.create_task(gate.asked({"action": "people-invite", "role": "viewer"}))
        await disk.asked()
        second = asyncio.create_task(ada.post("/api/1/people", json=out))
        await asyncio.sleep(0.05)
        third = asyncio.create_task(bo.post("/api/1/people", json=late))
        await asyncio.sleep(0.05)
        disk.goes_on.set()
        assert (await first)["code"] == 0
        assert (await second).status_code == 200
        answer = await third
        assert answer.status_code == 409, answer.text
        assert "your session has ended meanwhile" in answer.json()["lines"][0]
        assert (await ada.get("/api/1/session")).json()["person"]["role"] == "administrator"
        listed = (await ada.get("/api/1/people")).json()
        assert [each["role"] for each in listed["codes"]] == ["viewer"]
    assert [told[0]["action"] for told in gate.audited if told[1] == "bo@page"] == ["join"]


async def test_an_administrator_may_take_leave_himself(gate: Gate) -> None:
    async with _signed_in(gate, "ada", "administrator") as ada:
        assert (await ada.post("/api/1/people", json={"action": "people-remove", "name": "ada"})).status_code == 200
        assert (await ada.get("/api/1/session")).json()["person"] is None


async def test_by_the_password_of_before_nobody_begins_a_session(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its hash is made anew with the costs of today, which takes a while: meanwhile the person chooses another."""
    async with _signed_in(gate, "ada", "operator") as ada, gate.client() as thief:
        gate.access.passwords = Passwords(memory_kib=16, passes=1)
        hashed, begun, goes_on = gate.access.passwords.hashed, asyncio.Event(), asyncio.Event()

        async def slowly(password: str) -> str:
            if password == PASSWORD:
                begun.set()
                await goes_on.wait()
            return await hashed(password)

        monkeypatch.setattr(gate.access.passwords, "hashed", slowly)
        stolen = asyncio.create_task(thief.post("/api/1/sign-in", json={"name": "ada", "password": PASSWORD}))
        await begun.wait()
        took_in(ada, await ada.post("/api/1/password", json={"old": PASSWORD, "new": OTHER}))
        goes_on.set()
        assert (await stolen).status_code == 401
        assert (await thief.get("/api/1/session")).json()["person"] is None
