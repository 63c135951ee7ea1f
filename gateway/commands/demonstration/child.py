"""A helper process of the demo: it tells one JSON line when it is ready and ends when its input closes.

It lives in a session of its own, so that a Ctrl-C meant for the demo does not reach it; and because its life hangs on a
pipe that the system closes with the demo, it cannot outlive the demo even if that is killed.
"""

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from tempfile import TemporaryFile
from typing import IO, Any, NoReturn

from gateway.errors import GatewayError

__all__ = ["Child", "ChildError", "running_child"]

_READY_S = 20.0
_CLOSE_S = 4.0
_KILL_S = 2.0


class ChildError(GatewayError):
    """A helper process did not start or ended by itself. Retrying seldom helps."""


class Child:
    """A running helper process. `ready` is what it told when it was ready."""

    def __init__(self, name: str, process: asyncio.subprocess.Process, complaints: IO[bytes]) -> None:
        self.name = name
        self.ready: dict[str, Any] = {}
        self._process = process
        self._complaints = complaints

    @property
    def pid(self) -> int:
        return self._process.pid

    async def watch(self) -> NoReturn:
        """Wait for as long as it runs. Raises ChildError when it ends."""
        code = await self._process.wait()
        self._complaints.seek(0)
        lines = self._complaints.read(65536).decode(errors="replace").split("\n")
        last_words = next((line.strip() for line in reversed(lines) if line.strip()), "it said nothing")
        raise ChildError(f"the {self.name} ended with code {code}: {last_words}")

    async def get_ready(self) -> None:
        """Wait for its line. Raises ChildError when it ends or is silent instead."""
        stdout = self._process.stdout
        assert stdout is not None
        try:
            async with asyncio.timeout(_READY_S):
                line = await stdout.readline()
                if not line:
                    await self.watch()
        except TimeoutError as error:
            raise ChildError(f"the {self.name} was not ready within {_READY_S:.0f} s") from error
        try:
            ready = json.loads(line)
        except ValueError as error:
            raise ChildError(f"the {self.name} said something that is not JSON: {line[:80]!r}") from error
        if not isinstance(ready, dict):
            raise ChildError(f"the {self.name} said something unexpected: {line[:80]!r}")
        self.ready = ready


@asynccontextmanager
async def running_child(name: str, arguments: Sequence[str]) -> AsyncIterator[Child]:
    """Start `python -m *arguments` and wait until it is ready; end it on the way out, in bounded time.

    Raises ChildError when it ends or is silent instead.
    """
    with TemporaryFile() as complaints:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            *arguments,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=complaints,
            start_new_session=True,
        )
        try:
            child = Child(name, process, complaints)
            await child.get_ready()
            yield child
        finally:
            await asyncio.shield(_end(process))


async def _end(process: asyncio.subprocess.Process) -> None:
    """Close its input, then ask, then insist."""
    assert process.stdin is not None
    process.stdin.close()
    for insist, patience_s in ((process.terminate, _CLOSE_S), (process.kill, _KILL_S)):
        with suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                await process.wait()
                return
        with suppress(ProcessLookupError):
            insist()
    await process.wait()
