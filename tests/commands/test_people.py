"""`people`: of the gateway that runs, by its door, or of the file while none does."""

import asyncio
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.clock import SystemClock
from gateway.command_line import main
from gateway.keeping import Keeping
from gateway.process.door import Door
from gateway.process.memory_file import DIRECTORY_VARIABLE
from gateway.process.running import Running, claim
from gateway.site_access import access_of, door_answers
from gateway.web.access.people_file import PeopleFile, people_path
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]
SITE = "north"


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    monkeypatch.setenv(DIRECTORY_VARIABLE, str(folder))
    return folder


async def _nobody_acts(_line: bytes, _person: str) -> bytes:
    return b'{"code": 1, "lines": ["acting"], "hint": ""}\n'


@contextmanager
def _running(state: Path, *, as_owner: bool = True) -> Iterator[None]:
    """A gateway that is only its door and its people, in a thread of its own."""
    began, ends = threading.Event(), threading.Event()

    async def run(door: Path) -> None:
        access = access_of(state, SITE, SystemClock(), Keeping(None, None))
        of_group, of_owner = door_answers(access, _nobody_acts)
        loops = [asyncio.create_task(Door(door, of_group, of_owner if as_owner else of_group).run())]
        loops.append(asyncio.create_task(access.run()))
        while not door.is_socket():  # noqa: ASYNC110, ASYNC240 - nobody tells it
            await asyncio.sleep(0.01)
        began.set()
        while not ends.is_set():  # noqa: ASYNC110 - another thread says so
            await asyncio.sleep(0.01)
        for loop in loops:
            loop.cancel()
        await asyncio.wait(loops)

    with claim(Running(SITE, os.getpid(), None, {})) as held:
        assert held.door is not None
        thread = threading.Thread(target=asyncio.run, args=(run(held.door),))
        thread.start()
        began.wait(20)
        try:
            yield
        finally:
            ends.set()
            thread.join()


@pytest.mark.parametrize("runs", [True, False])
def test_people_are_invited_changed_and_removed(capsys: Capture, state: Path, runs: bool) -> None:
    if runs:
        with _running(state):
            _through_a_life(capsys, ())
    else:
        _through_a_life(capsys, ("--site", SITE))
        assert "stands in no audit trail" in typed(capsys, "people", "end-sessions", "--site", SITE).out
    kept = PeopleFile(people_path(state, SITE)).read()
    assert not kept.accounts
    assert not kept.invitations


def _through_a_life(capsys: Capture, more: tuple[str, ...]) -> None:
    said = typed(capsys, "people", "list", *more)
    assert (said.code, said.out) == (
        0,
        "nobody: make the first by `tank-gateway people invite --role administrator`\n",
    )
    said = typed(capsys, "people", "invite", "Anna B", "--role", "operator", *more)
    assert said.code == 0
    code, told, *_ = said.out.splitlines()
    assert len(code.replace("-", "")) == 26
    assert told.startswith("with this code Anna B joins as operator: once, until 20")
    said = typed(capsys, "people", "list", "--json", *more)
    assert [(each["name"], each["role"]) for each in said.document["codes"]] == [("Anna B", "operator")]
    assert code not in said.out
    said = typed(capsys, "people", "remove", "Anna B", *more)
    assert said.out.startswith("the code for Anna B opens nothing any more")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("invite", "Bo"), 2, "say what this person is\n  hint: --role with one of viewer, operator, "),
        (("invite", "Bo", "--role", "king"), 2, "invalid choice: 'king'"),
        (("invite", "B@o", "--role", "viewer"), 2, "'B@o' cannot be a name"),
        (("role", "Bo", "viewer"), 2, "there is no 'Bo' here\n  hint: there is: nobody yet"),
        (("remove", "Bo"), 2, "there is no 'Bo' here"),
        (("end-sessions", "Bo"), 2, "there is no 'Bo' here"),
        ((), 2, "the following arguments are required: ACT"),
    ],
)
def test_what_is_typed_wrongly_is_said(
    capsys: Capture, state: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    said = typed(capsys, "people", *words, *(("--site", SITE) if words else ()))
    assert said.code == code
    assert says in said.err


def test_while_a_gateway_has_the_file_nobody_else_changes_it(capsys: Capture, state: Path, tmp_path: Path) -> None:
    file = PeopleFile(people_path(state, SITE))
    file.hold()
    said = typed(capsys, "people", "list", "--site", SITE)
    assert (said.code, "in the hands of another process" in said.err) == (1, True)
    file.release()
    assert typed(capsys, "people", "list", "--site", SITE).code == 0


def test_members_of_the_group_may_look_and_not_change(capsys: Capture, state: Path) -> None:
    with _running(state, as_owner=False):
        assert typed(capsys, "people", "list").code == 0
        said = typed(capsys, "people", "invite", "--role", "administrator")
        assert said.code == 1
        assert "may not say who comes in: only root and the gateway's own user may" in said.err
        assert typed(capsys, "enter", "list").err.startswith("tank-gateway: acting")


def test_with_neither_gateway_nor_site_it_says_what_to_do(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = typed(capsys, "people", "list")
    assert (said.code, "no gateway runs on this machine" in said.err) == (1, True)
    said = typed(capsys, "people", "list", "--site", SITE, "--state", str(tmp_path / "none"))
    assert (said.code, "there is no folder" in said.err) == (2, True)


def test_the_answer_for_a_program_has_the_code(capsys: Capture, state: Path) -> None:
    capsys.readouterr()
    assert main(["people", "invite", "--role", "viewer", "--json", "--site", SITE]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert set(answer) == {"code", "lines", "notes", "one_time_code", "until"}


def test_what_root_makes_belongs_to_whoever_the_folder_does(
    capsys: Capture, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gateway, which is not root, has to read it."""
    given: list[tuple[str, int, int]] = []
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "chown", lambda path, user, group, **_: given.append((Path(path).name, user, group)))
    assert typed(capsys, "people", "invite", "--role", "viewer", "--site", SITE).code == 0
    owner = state.stat()
    wanted = {(f"{SITE}.people.json{end}", owner.st_uid, owner.st_gid) for end in ("", ".lock")}
    assert set(given) == wanted
