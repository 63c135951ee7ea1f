"""The simulated tanks of the whole-process bench, in a process of their own.

`python -m tests.bench.fleet_server TANKS` prints the address of each line as JSON and serves until standard input ends.
"""

import asyncio
import json
import sys

from simulators.fleet import fleet
from simulators.running import serve

__all__ = ["main"]


async def _serve(tanks: int) -> None:
    async with serve(fleet(tanks), "127.0.0.1", {}) as running:
        print(json.dumps(running.addresses), flush=True)
        loop = asyncio.get_running_loop()
        ended = loop.create_future()
        loop.add_reader(sys.stdin, ended.set_result, None)
        await ended
        loop.remove_reader(sys.stdin)


def main() -> None:
    asyncio.run(_serve(int(sys.argv[1])))


if __name__ == "__main__":
    main()
