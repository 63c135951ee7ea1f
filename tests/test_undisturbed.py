"""What is parsed while the collector finds futures that nobody took is parsed all the same."""

import ast
import asyncio
import gc
from pathlib import Path

_SOURCE = Path(asyncio.base_events.__file__).read_text("utf-8")


def _not_taken(loop: asyncio.AbstractEventLoop) -> None:
    future = loop.create_future()
    try:
        raise ConnectionResetError
    except ConnectionResetError as error:
        future.set_exception(error)
    # Only the collector finds it.
    held: list[object] = [future]
    held.append(held)


def test_a_collection_within_it_does_not_end_it() -> None:
    loop = asyncio.new_event_loop()
    before = gc.get_threshold()
    gc.set_threshold(200)
    try:
        for _ in range(5):
            _not_taken(loop)
            assert ast.parse(_SOURCE).body
    finally:
        gc.set_threshold(*before)
        gc.collect()
        loop.close()
