"""The socket by which people act: who is heard, how many at once, and where it may stand."""

import asyncio
import json
import os
import pwd
import socket
import struct
from pathlib import Path
from typing import Any

import pytest

from gateway.errors import GatewayError
from gateway.process import door
from gateway.process.tasks import end

_OVERFLOW_USER = int(Path("/proc/sys/kernel/overflowuid").read_text("ascii"))


class _Heard:
    """What came in by a door of this process."""

    def __init__(self) -> None:
        self.by: list[str] = []

    async def answer(self, line: bytes, person: str) -> bytes:
        self.by.append(person)
        return b'{"code": 0, "lines": []}\n'


async def _opened(path: Path) -> None:
    while not path.is_socket():  # noqa: ASYNC110, ASYNC240 - nobody tells it
        await asyncio.sleep(0.01)


async def _asked_at(path: Path) -> dict[str, Any]:
    reader, client = await asyncio.open_unix_connection(str(path))
    client.write(b'{"action": "list"}\n')
    answer: dict[str, Any] = json.loads(await reader.readline())
    client.close()
    return answer


@pytest.mark.parametrize("stranger", [True, False])
async def test_only_root_its_own_user_and_its_group_are_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stranger: bool
) -> None:
    if stranger:
        # A user that there is not, in a group that is not this one.
        monkeypatch.setattr(door, "peer_of", lambda _: door.Peer(1, 3_999_999, 3_999_999))
    path, heard = tmp_path / "a.door", _Heard()
    path.touch()
    task = asyncio.create_task(door.Door(path, heard.answer).run())
    await _opened(path)
    answer = await _asked_at(path)
    assert answer["code"] == (1 if stranger else 0)
    assert heard.by == ([] if stranger else [pwd.getpwuid(os.geteuid()).pw_name])
    if stranger:
        assert "user 3999999 may not act here" in answer["lines"][0]
    await end([task])
    assert not path.exists()


async def test_so_many_at_once_and_no_more(tmp_path: Path) -> None:
    path, heard = tmp_path / "a.door", _Heard()
    task = asyncio.create_task(door.Door(path, heard.answer).run())
    await _opened(path)
    silent = [await asyncio.open_unix_connection(str(path)) for _ in range(16)]
    answer = await _asked_at(path)
    assert (answer["code"], answer["lines"]) == (1, ["too many are at the door at once"])
    for _, client in silent:
        client.close()
    while (await _asked_at(path))["code"] == 1:  # noqa: ASYNC110 - nobody tells that there is room
        await asyncio.sleep(0.01)
    await end([task])


async def test_a_folder_of_any_length_holds_a_door(tmp_path: Path) -> None:
    folder = tmp_path / ("deep" * 30)
    folder.mkdir()
    path, heard = folder / "a.door", _Heard()
    task = asyncio.create_task(door.Door(path, heard.answer).run())
    await _opened(path)
    with door.connected(path, 5.0) as client:
        assert door.peer_of(client.fileno()).user == os.geteuid()
    await end([task])


def test_the_credentials_are_those_of_the_system() -> None:
    one, other = socket.socketpair(socket.AF_UNIX)
    with one, other:
        told = struct.unpack("3i", one.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    assert told == (os.getpid(), os.geteuid(), os.getegid())


async def test_where_it_cannot_stand_is_said(tmp_path: Path) -> None:
    with pytest.raises(GatewayError, match=r"cannot open the door at .*/gone/a\.door: no such file or directory"):
        await door.Door(tmp_path / "gone" / "a.door", _Heard().answer).run()


@pytest.mark.parametrize("stands", ["nobody", "somebody"])
async def test_whom_another_name_space_hides_is_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stands: str
) -> None:
    """PrivateUsers= of systemd shows every user but root as the overflow user."""
    user = _OVERFLOW_USER + (stands == "somebody")
    monkeypatch.setattr(door, "peer_of", lambda _: door.Peer(1, user, 3_999_999))
    path = tmp_path / "a.door"
    task = asyncio.create_task(door.Door(path, _Heard().answer).run())
    await _opened(path)
    answer = await _asked_at(path)
    assert answer["code"] == 1
    assert ("private users" in answer["lines"][0]) is (stands == "nobody")
    await end([task])
