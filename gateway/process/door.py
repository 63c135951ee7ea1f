"""The Unix socket by which people on this machine act: one line in, one line out, and the system says who it is.

Only root, the gateway's own user and members of its group are heard; the mode of the socket says so to the system, and
it is looked at once more here. A name is never typed: it is that of the peer's user.
"""

import asyncio
import contextlib
import grp
import json
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import structlog

from gateway.errors import GatewayError
from gateway.process.one_thread import OneThread, done_within
from gateway.process.tasks import end

__all__ = ["LARGEST_BYTES", "Answer", "Door", "Peer", "connected", "listening", "peer_of", "refusal"]

DOOR_OPEN = "door.open"
DOOR_CLOSED = "door.closed"
DOOR_REFUSED = "door.refused"
DOOR_FAILED = "door.failed"

LARGEST_BYTES = 64_000
"""Of a request."""
_MODE = 0o660
_BACKLOG = 16
_MOST = 16
"""People at once, more than a control room has hands."""
_ASK_S = 5.0
"""Longest from a connection to the end of its line."""
_ANSWER_S = 30.0
_TAKE_S = 5.0
"""Longest until the peer has taken the answer."""
_NAME_S = 3.0
"""Longest for the name of a user, which may be asked of another machine."""
_CREDENTIALS = struct.Struct("3i")
_LOGGER = structlog.get_logger("gateway.door")


class Peer(NamedTuple):
    """Who is at the other end of a Unix socket, as the system has it."""

    pid: int
    user: int
    group: int


Answer = Callable[[bytes, str], Awaitable[bytes]]
"""Answers a line of a person, by its name. Raises nothing but what is a fault of the program."""


class Door:
    """`run` serves until cancelled, and leaves no socket behind."""

    def __init__(self, path: Path, answer: Answer, of_owners: Answer | None = None) -> None:
        """`of_owners`: in place of `answer` for root and the gateway's own user."""
        self._path = path
        self._answer = answer
        self._of_owners = answer if of_owners is None else of_owners
        self._names = OneThread("names of users")
        self._present: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Raises GatewayError where the socket cannot be had."""
        listener = listening(self._path)
        try:
            server = await asyncio.start_unix_server(self._come_in, sock=listener, limit=LARGEST_BYTES)
            try:
                _LOGGER.info(DOOR_OPEN, socket=str(self._path))
                await asyncio.get_running_loop().create_future()
            finally:
                server.close()
                await end(self._present)
        finally:
            listener.close()
            with contextlib.suppress(OSError):
                self._path.unlink()
            self._names.end()
            _LOGGER.info(DOOR_CLOSED, socket=str(self._path))

    def _come_in(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(self._serve(reader, writer), name="door")
        self._present.add(task)
        task.add_done_callback(self._gone)

    def _gone(self, task: "asyncio.Task[None]") -> None:
        self._present.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            _LOGGER.error(DOOR_FAILED, exc_info=error)

    async def _serve(self, reader: asyncio.StreamReader, client: asyncio.StreamWriter) -> None:
        try:
            with contextlib.suppress(TimeoutError, OSError, ValueError, asyncio.IncompleteReadError):
                client.write(await self._answered(reader, client))
                await asyncio.wait_for(client.drain(), _TAKE_S)
                client.close()
                await asyncio.wait_for(client.wait_closed(), _TAKE_S)
        finally:
            client.transport.abort()

    async def _answered(self, reader: asyncio.StreamReader, client: asyncio.StreamWriter) -> bytes:
        """Raises TimeoutError, OSError, ValueError and IncompleteReadError where there is nobody to answer."""
        if len(self._present) > _MOST:
            return refusal("too many are at the door at once", "try again in a few seconds")
        peer = peer_of(client.get_extra_info("socket").fileno())
        looked_up = self._names.do(lambda: _looked_up(peer))
        name, is_member = f"user {peer.user}", peer.group == os.getegid()
        if await done_within(looked_up, _NAME_S):
            name, is_member = looked_up.result()
        if not (peer.user in (0, os.geteuid()) or is_member):
            _LOGGER.warning(DOOR_REFUSED, user=name, process=peer.pid)
            return refusal(*_refused(name, peer.user))
        line = await asyncio.wait_for(reader.readline(), _ASK_S)
        if not line.endswith(b"\n"):
            raise asyncio.IncompleteReadError(line, None)
        answer = self._of_owners if peer.user in (0, os.geteuid()) else self._answer
        return await asyncio.wait_for(answer(line, name), _ANSWER_S)


def refusal(text: str, hint: str) -> bytes:
    """An answer by the door itself."""
    return json.dumps({"code": 1, "lines": [text], "hint": hint}).encode() + b"\n"


def listening(path: Path) -> socket.socket:
    """A socket that listens at `path`, for its owner and its group. Raises GatewayError.

    One that a killed process left there is taken away: whoever calls this holds the site.
    """
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        with _short(path) as address:
            listener.bind(address)
        # Nobody can connect before it listens, so that its mode is right from the first on.
        path.chmod(_MODE)
        listener.listen(_BACKLOG)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        failure = GatewayError(f"cannot open the door at {path}: {(error.strerror or str(error)).lower()}")
        failure.hint = "nobody can act on this gateway; see to the folder"
        raise failure from error
    return listener


def connected(path: Path, timeout_s: float) -> socket.socket:
    """A connection to the door at `path`, for a command. Raises OSError."""
    client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        client.settimeout(timeout_s)
        with _short(path) as address:
            client.connect(address)
    except BaseException:
        client.close()
        raise
    return client


def peer_of(descriptor: int) -> Peer:
    """Who is at the other end (SO_PEERCRED). Raises OSError."""
    with socket.socket(fileno=os.dup(descriptor)) as own:
        return Peer(*_CREDENTIALS.unpack(own.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)))


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """An address for the socket: the system takes 107 bytes at most, and folders may be longer."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


def _looked_up(peer: Peer) -> tuple[str, bool]:
    """The name of the user, and whether it belongs to the group of this process. From a thread: it may take long."""
    own = os.getegid()
    try:
        found = pwd.getpwuid(peer.user)
    except KeyError:
        return f"user {peer.user}", peer.group == own
    return found.pw_name, peer.group == own or own in os.getgrouplist(found.pw_name, peer.group)


def _refused(name: str, user: int) -> tuple[str, str]:
    """What is said to somebody who may not act, and what would be right."""
    if user == _nobody():
        # Another name space of users, such as that of PrivateUsers= of systemd, shows all others as this one.
        text = "this gateway cannot see who you are: its service runs with private users"
        return text, "act as root, or set the service up for operators, as its guide for installation says"
    text = f"{name} may not act here: only root, the gateway's own user and members of its group may"
    return text, f"have root add you to the group {_group_name(os.getegid())}, then log in anew"


def _nobody() -> int:
    try:
        return int(Path("/proc/sys/kernel/overflowuid").read_text("ascii"))
    except (OSError, ValueError):
        return 65_534


def _group_name(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
