"""What an outside subscriber sees: mosquitto_sub, a program that shares no code with the gateway."""

import asyncio
import signal
from collections import deque
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Any, NamedTuple, Self

from tests.support.messages import valid_message

__all__ = ["Message", "Subscriber"]

_ANSWER_S = 20.0
_SUBSCRIBED = b"Subscribed"
_SAYS = (b"Client ", _SUBSCRIBED)
"""How its own words begin; a message begins with 0 or 1."""


class Message(NamedTuple):
    retained: bool
    topic: str
    payload: bytes

    @property
    def content(self) -> dict[str, Any]:
        """Decoded; it has been held against its schema on arrival."""
        return valid_message(self.payload)


class Subscriber:
    """Every message from `port` under `topic`, as it comes. A message that breaks its schema raises.

    It is subscribed before it is entered: what is published afterwards and not retained is not missed.
    """

    def __init__(self, port: int, topic: str = "tanks/#", options: Sequence[str] = ()) -> None:
        self._arguments = ("-h", "127.0.0.1", "-p", str(port), "-t", topic, "-q", "1", "-F", "%r %t %p", *options)
        self._process: asyncio.subprocess.Process | None = None
        self._early: deque[bytes] = deque()

    async def next(self, wanted: Callable[[Message], bool] = lambda _: True) -> Message:
        """The next message that is wanted; others are held against their schema and dropped."""
        async with asyncio.timeout(_ANSWER_S):
            while True:
                message = await self.unchecked()
                valid_message(message.payload)
                if wanted(message):
                    return message

    async def unchecked(self) -> Message:
        """The next message, held against nothing: for counting thousands. May be cancelled without losing any."""
        if self._early:
            line = self._early.popleft()
        else:
            while (line := await self._line()).startswith(_SAYS):
                pass
        retained, topic, payload = line.rstrip(b"\n").split(b" ", 2)
        return Message(retained == b"1", topic.decode(), payload)

    async def _line(self) -> bytes:
        assert self._process is not None
        assert self._process.stdout is not None
        line = await self._process.stdout.readline()
        if not line:
            raise AssertionError("mosquitto_sub ended")
        return line

    def freeze(self) -> None:
        """Let it hold its connection and read nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    async def inventory(self, tank: str, sequence: int) -> Message:
        """Wait for this very record."""
        return await self.next(
            lambda message: (
                message.topic.endswith(f"/{tank}/inventory") and message.content["identity"]["sequence"] == sequence
            )
        )

    async def state(self, state: str) -> Message:
        """Wait for the gateway to be `online` or `offline`."""
        return await self.next(
            lambda message: message.topic.endswith("/gateway/status") and message.content["state"] == state
        )

    async def __aenter__(self) -> Self:
        # Its own words would wait in the buffer of a pipe for the first message.
        command = ("stdbuf", "-oL", "mosquitto_sub", "-d", *self._arguments)
        self._process = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE, limit=1 << 20)
        async with asyncio.timeout(_ANSWER_S):
            while not (line := await self._line()).startswith(_SUBSCRIBED):
                # What the server kept for its session comes before the answer to its subscription.
                if not line.startswith(_SAYS):
                    self._early.append(line)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process is not None
        if self._process.returncode is None:
            self._process.kill()
        await self._process.communicate()
