"""The simulated tanks of the benches, in a process of their own.

`python -m tests.bench.fleet_server TANKS PER_LINE` prints the address of each line as JSON and serves until standard
input ends.
A line `X-0001 silence` there gives an instrument a fault, with options as JSON behind it; `X-0001` alone takes its
faults away.
"""

import asyncio
import json
import sys

from simulators.fleet import fleet
from simulators.running import Running, serve

__all__ = ["main"]


async def _serve(tanks: int, per_line: int) -> None:
    async with serve(fleet(tanks, instruments_per_line=per_line), "127.0.0.1", {}) as running:
        print(json.dumps(running.addresses), flush=True)
        reader = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        async for line in reader:
            _obey(running, line.decode())


def _obey(running: Running, line: str) -> None:
    tag, _, rest = line.strip().partition(" ")
    name, _, options = rest.partition(" ")
    if name:
        running.set_fault(tag, name, **json.loads(options or "{}"))
    else:
        running.clear_fault(tag)


def main() -> None:
    asyncio.run(_serve(int(sys.argv[1]), int(sys.argv[2])))


if __name__ == "__main__":
    main()
