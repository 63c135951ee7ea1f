"""`tank-gateway run SITE` that also says how many tasks it has, which nothing shows of a process from outside.

`python -m tests.bench.counted_gateway FILE SITE ...` writes their number into FILE each second. Else it is the program
itself, from its command line on.
"""

import asyncio
import sys
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

from gateway.command_line import main

_EVERY_S = 1.0


def count_into(file: Path) -> None:
    """From the loop of whatever is run, by a timer, so that no task is added."""
    run = asyncio.Runner.run

    def counted(runner: asyncio.Runner, main: Coroutine[Any, Any, Any]) -> Any:
        loop = runner.get_loop()

        def count() -> None:
            file.write_text(str(len(asyncio.all_tasks(loop))), "utf-8")
            loop.call_later(_EVERY_S, count)

        loop.call_soon(count)
        return run(runner, main)

    asyncio.Runner.run = counted  # type: ignore[assignment, method-assign]


if __name__ == "__main__":
    count_into(Path(sys.argv[1]))
    sys.exit(main(["run", *sys.argv[2:]]))
