"""Another process of this machine that says it is a running gateway, without one."""

import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

from gateway.process.running import Running, claim

__all__ = ["claimed"]


def _hold(mine: Running, exclusive: bool, pipe: Connection) -> None:
    with claim(mine, exclusive=exclusive):
        pipe.send("held")
        pipe.recv()


@contextmanager
def claimed(mine: Running, *, exclusive: bool = True) -> Iterator[BaseProcess]:
    """Another process that holds the claim of a running gateway."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_hold, args=(mine, exclusive, theirs))
    process.start()
    try:
        assert ours.poll(20.0)
        assert ours.recv() == "held"
        yield process
    finally:
        if process.is_alive():
            ours.send("end")
        process.join(20.0)
