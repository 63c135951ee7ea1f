"""The process of the server in the hands of the gateway: begun, told, heard, and ended in bounded time."""

import asyncio
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from gateway.delivery.opcua.feed import LONGEST_LINE, FeedError, line, message
from gateway.errors import DeliveryError

__all__ = ["Child", "ChildEndedError"]

_MODULE = "gateway.opcua_process"
_KEPT_VARIABLES = ("PATH", "PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "LANG", "LC_ALL", "HOME", "TMPDIR", "TZ")
"""No other variable of the environment: secrets of other destinations may stand in them."""
_WRITE_S = 30.0
_END_S = 4.0
_LAST_WORDS = 2_000


class ChildEndedError(DeliveryError):
    """The server has ended, or takes nothing any more. It is begun anew."""


class Child:
    """One life of the process."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self._last_words = b""
        self._complaints = asyncio.create_task(self._listen_to_complaints(), name="opcua complaints")

    @classmethod
    async def begin(cls) -> "Child":
        """Raises ChildEndedError where the system begins none."""
        kept = {name: os.environ[name] for name in _KEPT_VARIABLES if name in os.environ}
        try:
            process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                _MODULE,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                env=kept,
                limit=LONGEST_LINE,
                # A Ctrl-C that is meant for the gateway is none for it: it is told.
                start_new_session=True,
            )
        except OSError as error:
            raise ChildEndedError(f"its process cannot be begun: {error.strerror or error}") from error
        return cls(process)

    @property
    def pid(self) -> int:
        return self._process.pid

    async def tell(self, content: Mapping[str, Any]) -> None:
        """Raises ChildEndedError where it does not take it."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(line(content))
            async with asyncio.timeout(_WRITE_S):
                await self._process.stdin.drain()
        except TimeoutError as error:
            raise ChildEndedError(f"its process took nothing for {_WRITE_S:.0f} s") from error
        except OSError as error:
            raise ChildEndedError(self._why()) from error

    async def heard(self) -> dict[str, Any]:
        """The next that it says. Raises ChildEndedError once it has ended."""
        assert self._process.stdout is not None
        try:
            text = await self._process.stdout.readline()
        except ValueError as error:
            raise ChildEndedError("its process said more than anybody can take in") from error
        if not text:
            with suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    await self._process.wait()
            await asyncio.wait([self._complaints], timeout=0.5)
            raise ChildEndedError(self._why())
        try:
            return message(text)
        except FeedError as error:
            raise ChildEndedError(f"its process said {error}") from error

    def _why(self) -> str:
        words = self._last_words.decode("utf-8", "replace").strip().splitlines()
        code = self._process.returncode
        how = "its process ended" if code is None else f"its process ended with code {code}"
        return f"{how}: {words[-1][:300]}" if words else how

    async def _listen_to_complaints(self) -> None:
        assert self._process.stderr is not None
        while text := await self._process.stderr.read(4096):
            self._last_words = (self._last_words + text)[-_LAST_WORDS:]

    async def end(self, last: Mapping[str, Any] | None = None) -> None:
        """Tell it so, then insist. Also within a task that is being cancelled."""
        assert self._process.stdin is not None
        with suppress(OSError, RuntimeError):
            if last is not None:
                self._process.stdin.write(line(last))
            self._process.stdin.close()
        waiting = asyncio.create_task(self._process.wait(), name="opcua end")
        try:
            # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
            await asyncio.wait([waiting], timeout=_END_S if last is not None else 0.2)
        finally:
            if self._process.returncode is None:
                with suppress(ProcessLookupError):
                    self._process.kill()
            self._complaints.cancel()
        await asyncio.wait([waiting, self._complaints], timeout=2.0)
