"""The file of people: whole or as before whatever happens, its owner's alone, in one hand, never taken for empty."""

import asyncio
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from gateway.errors import GatewayError
from gateway.person import Role
from gateway.web.access.book import Account, Book
from gateway.web.access.people import NotKnownError
from gateway.web.access.people_file import PeopleFile, people_path
from tests.web.access.gate import PASSWORD, SITE, Gate

HASH = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$aGFzaA"
STEPS = ("os.open", "os.write", "os.fsync", "os.close", "os.rename")

# Writes one more person, and is killed in front of the numbered call of those that touch the disk.
PROGRAM = """
import os, signal, sys
from pathlib import Path
from gateway.web.access.book import Account, Book
from gateway.web.access.people_file import PeopleFile
from gateway.person import Role

path, last = Path(sys.argv[1]), int(sys.argv[2])
file = PeopleFile(path)
book = file.read()
accounts = {**book.accounts, "new": Account("new", Role.VIEWER, sys.argv[3], 2.0)}
count = 0

def counted(call):
    def made(*given, **named):
        global count
        if count == last:
            os.kill(os.getpid(), signal.SIGKILL)
        count += 1
        return call(*given, **named)
    return made

for name in ("open", "write", "fsync", "close", "rename", "unlink"):
    setattr(os, name, counted(getattr(os, name)))
file.write(Book(accounts, {}, {}))
print(count)
"""


def _book(*names: str) -> Book:
    return Book({name: Account(name, Role.VIEWER, HASH, 1.0) for name in names}, {}, {})


def test_killed_at_any_step_of_a_write_it_is_as_before_or_as_after(tmp_path: Path) -> None:
    path = tmp_path / "a.people.json"
    seen, number = [], 0
    while True:
        for each in tmp_path.iterdir():
            each.unlink()
        PeopleFile(path).write(_book("anna", "bo"))
        command = [sys.executable, "-c", PROGRAM, str(path), str(number), HASH]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=50, cwd=Path.cwd())
        seen.append(tuple(PeopleFile(path).read().accounts))
        if ended.returncode == 0:
            break
        assert ended.returncode == -9, ended.stderr
        # What was left there keeps nobody from writing.
        PeopleFile(path).write(_book("anna", "bo", "later"))
        assert len(PeopleFile(path).read().accounts) == 3
        number += 1
    before, after = ("anna", "bo"), ("anna", "bo", "new")
    assert number >= 6, "it is killed at several steps"
    assert set(seen) == {before, after}
    assert seen == sorted(seen, key=[before, after].index), "once it is there it stays"


@pytest.mark.parametrize("step", STEPS)
async def test_a_disk_that_fails_at_any_step_leaves_people_as_they_were(
    gate: Gate, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    before = gate.path.read_bytes()
    real = getattr(os, step.removeprefix("os."))

    def fails(*given: object, **named: object) -> object:
        if threading.current_thread().name == "people":
            if step == "os.close":
                real(*given, **named)
            raise OSError(28, "No space left on device")
        return real(*given, **named)

    with monkeypatch.context() as patched:
        patched.setattr(step, fails)
        answer = await gate.asked({"action": "people-invite", "name": "bo", "role": "viewer"})
        assert answer["code"] == 1
        assert "could not be kept, and does not hold" in answer["lines"][0]
        assert not gate.access.people.invitations
    assert gate.path.read_bytes() == before
    assert (await gate.asked({"action": "people-invite", "name": "bo", "role": "viewer"}))["code"] == 0


async def test_what_is_taken_away_is_gone_at_once_whatever_the_disk_does(
    gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")

    def full(_book: Book) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(gate.file, "write", full)
    answer = await gate.asked({"action": "people-remove", "name": "anna"})
    assert answer["code"] == 0
    assert "a restart would undo it" in answer["notes"][0]
    assert (await client.get("/metrics")).status_code == 401


async def test_a_disk_that_hangs_holds_up_nobody_and_what_arrives_late_holds_then(
    gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    anna, let_go = gate.client(), threading.Event()
    await gate.joined(anna, "anna", "operator")
    monkeypatch.setattr("gateway.web.access.people._WRITE_S", 0.01)
    real = gate.file.write

    def hangs(book: Book) -> None:
        let_go.wait()
        real(book)

    monkeypatch.setattr(gate.file, "write", hangs)
    answer = await gate.asked({"action": "people-invite", "name": "bo", "role": "viewer"})
    assert "holds once it has" in answer["lines"][0]
    assert not gate.access.people.invitations
    assert (await anna.get("/metrics")).status_code == 200
    answer = await gate.asked({"action": "people-invite", "name": "cy", "role": "viewer"})
    assert "a change before this one is not on the disk yet" in answer["lines"][0]
    answer = await gate.asked({"action": "people-remove", "name": "anna"})
    assert answer["code"] == 0, "whoever is to go goes all the same"
    assert (await anna.get("/metrics")).status_code == 401
    let_go.set()
    gate.access.people._thread.do(lambda: None).result(timeout=20)
    await gate.access.people.keep_sessions()
    people = gate.access.people
    assert [each.name for each in people.invitations.values()] == ["bo"]
    assert not people.accounts, "what was on its way has not brought anna back"
    kept = PeopleFile(gate.path).read()
    assert ([each.name for each in kept.invitations.values()], kept.accounts) == (["bo"], {})


async def test_a_damaged_file_is_said_with_its_line_and_nothing_of_it_is_lost(tmp_path: Path) -> None:
    first = Gate(tmp_path)
    await first.joined(first.client(), "anna", "operator")
    first.end()
    first.access.people._thread.do(lambda: None).result(timeout=20)
    damaged = first.path.read_bytes().replace(b'"role"', b'"rolle"')
    first.path.write_bytes(damaged)

    gate = Gate(tmp_path)
    answer = await gate.asked({"action": "people-invite", "role": "administrator"})
    assert answer["code"] == 1
    assert answer["lines"] == [f"{gate.path}:2: role: is no text"]
    assert "mended or moved away" in answer["hint"]
    client = gate.client("127.0.0.1", base="http://127.0.0.1")
    given = {"name": "anna", "password": PASSWORD}
    signed = await client.post("/api/1/sign-in", json=given)
    assert (signed.status_code, signed.json()["lines"]) == (503, answer["lines"])
    assert (await client.get("/api/1/session")).json()["trouble"] == answer["lines"][0]
    # Files and lines are for this machine.
    elsewhere = await gate.client().post("/api/1/sign-in", json=given)
    assert elsewhere.status_code == 503
    assert str(tmp_path) not in elsewhere.text + (await gate.client().get("/api/1/session")).text
    gate.access.sessions.is_changed = True
    await gate.access.people.keep_sessions()
    assert gate.path.read_bytes() == damaged

    gate.path.write_bytes(damaged.replace(b'"rolle"', b'"role"'))
    assert (await client.post("/api/1/sign-in", json=given)).status_code == 200, "mended, it is read"
    gate.end()


async def test_it_is_for_its_owner_alone_and_in_one_hand(gate: Gate, tmp_path: Path) -> None:
    await gate.invited("viewer")
    modes = {name: os.stat(tmp_path / name).st_mode & 0o777 for name in os.listdir(tmp_path)}
    assert modes == {f"{SITE}.people.json": 0o600, f"{SITE}.people.json.lock": 0o600}
    other = Gate(tmp_path)
    with pytest.raises(NotKnownError, match="in the hands of another process"):
        await other.access.people.known()
    gate.end()
    gate.access.people._thread.do(lambda: None).result(timeout=20)
    await other.access.people.known()
    other.end()


def test_a_site_with_a_slash_has_a_file_all_the_same(tmp_path: Path) -> None:
    assert people_path(tmp_path, "North/South").parent == tmp_path


async def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(GatewayError, match=r"cannot keep people in .*: no such file or directory"):
        PeopleFile(people_path(tmp_path / "none", SITE)).hold()


async def test_a_restart_signs_nobody_out_and_a_session_that_was_ended_stays_so(tmp_path: Path) -> None:
    first = Gate(tmp_path)
    anna, bo = first.client(), first.client()
    await first.joined(anna, "anna", "operator")
    await first.joined(bo, "bo", "operator")
    running = asyncio.create_task(first.access.run())
    while first.access.sessions.is_changed:  # noqa: ASYNC110 - the loop keeps them
        await asyncio.sleep(0)
    await bo.post("/api/1/sign-out")
    running.cancel()
    await asyncio.wait([running])
    first.access.people._thread.do(lambda: None).result(timeout=20)

    second = Gate(tmp_path, clock=first.clock)
    for client, status in ((anna, 200), (bo, 401)):
        again = second.client()
        again.cookies.update(client.cookies)
        await second.access.people.known()
        assert (await again.get("/metrics")).status_code == status
    assert not [each for each in anna.cookies.values() if each in second.path.read_text("utf-8")]
    second.end()
