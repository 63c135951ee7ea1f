"""The demo's MQTT broker, a process of its own: prints its port as one JSON line and ends when its input closes.

For the demo alone: 3.1.1, anyone on this machine may connect, nothing is kept. A real site has a real broker.
"""

import asyncio
import json
import logging
import signal
import sys

from amqtt.broker import Broker
from amqtt.errors import BrokerError

from gateway.commands.demonstration.free_port import free_port

__all__ = ["main"]

_HOST = "127.0.0.1"
_SHUTDOWN_S = 2.0
_TRIES = 5


def main(argv: list[str]) -> int:
    """`argv` is the port to try first; a taken one is replaced by a free one."""
    # Whoever started this process reads a single line from it, and ends it by closing its input.
    logging.disable(logging.CRITICAL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        asyncio.run(_serve(int(argv[0])))
    except BrokerError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


async def _serve(port: int) -> None:
    broker, port = await _started(port)
    sys.stdout.write(json.dumps({"port": port}) + "\n")
    sys.stdout.flush()
    await asyncio.to_thread(sys.stdin.read)
    try:
        async with asyncio.timeout(_SHUTDOWN_S):
            await broker.shutdown()
    except TimeoutError:
        # Its clients are going as well; nothing of it outlives this process.
        return


async def _started(port: int) -> tuple[Broker, int]:
    for _ in range(_TRIES):
        port = free_port(_HOST, port)
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{_HOST}:{port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        try:
            await broker.start()
        except BrokerError:
            # Another program took the port between the look and the bind.
            port = 0
        else:
            return broker, port
    raise BrokerError(f"no free port on {_HOST}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
