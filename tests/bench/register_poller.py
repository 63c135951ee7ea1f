"""A control system beside a soak, in a process of its own: 20 requests a second, several under way, from start to end.

`python -m tests.bench.register_poller PORT MAP.csv` polls until it is told `end`, and then prints as JSON how many
answers it had, how often it connected, which exceptions came, and every answer that contradicted itself.
"""

import asyncio
import json
import sys
from pathlib import Path

from tests.support.control_system import ControlSystem
from tests.support.register_map import RegisterMap

__all__ = ["main"]

_MOST_TOLD = 20


async def _poll(port: int, known: RegisterMap) -> None:
    system = ControlSystem(port, known)
    polling = asyncio.create_task(system.run())
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    await reader.readline()
    polling.cancel()
    await asyncio.wait([polling])
    told = {
        "answers": system.answers,
        "connects": system.connects,
        "exceptions": dict(system.exceptions),
        "longest_s": round(system.longest_s, 3),
        "wrong": system.wrong[:_MOST_TOLD],
        "all_wrong": len(system.wrong),
    }
    if not polling.cancelled():
        told["wrong"] = [repr(polling.exception())]
    print(json.dumps(told), flush=True)


def main() -> None:
    asyncio.run(_poll(int(sys.argv[1]), RegisterMap(Path(sys.argv[2]).read_text("utf-8"))))


if __name__ == "__main__":
    main()
