"""A thread for calls that may hang for ever, as those to a network disk do: one after the other, and nobody waits
longer than he wants to. It is a daemon: the process does not wait for it either, as it would for those of an executor.
"""

import asyncio
import queue
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import TypeVar

__all__ = ["OneThread", "done_within"]

T = TypeVar("T")


class OneThread:
    """Does what it is given, in that order. Begun by the first call."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._calls: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._is_begun = False

    def do(self, call: Callable[[], T]) -> "Future[T]":
        """Never waits. The future has what the call gives or raises."""
        future: Future[T] = Future()
        self._calls.put(lambda: _settle(future, call))
        if not self._is_begun:
            self._is_begun = True
            threading.Thread(target=self._run, name=self._name, daemon=True).start()
        return future

    def end(self) -> None:
        """Once what it was given is done. It can be given more, and then goes on."""
        if self._is_begun:
            self._is_begun = False
            self._calls.put(None)

    def _run(self) -> None:
        # Signals are for the main thread: one that came to this would not wake that from what it waits in.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while (call := self._calls.get()) is not None:
            call()


async def done_within(future: "Future[T]", wait_s: float) -> bool:
    """Whether it is done by then. Neither the end of that time nor a cancellation ends the call."""
    loop = asyncio.get_running_loop()
    done = asyncio.Event()

    def tell(_: "Future[T]") -> None:
        # A call that hung may come back when its loop has ended.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(done.set)

    future.add_done_callback(tell)
    waiting = asyncio.ensure_future(done.wait())
    try:
        await asyncio.wait([waiting], timeout=wait_s)
    finally:
        waiting.cancel()
    return future.done()


def _settle(future: "Future[T]", call: Callable[[], T]) -> None:
    if not future.set_running_or_notify_cancel():
        return  # cancelled before its turn: nobody waits for it
    try:
        future.set_result(call())
    except BaseException as error:  # noqa: BLE001 - whatever it is, it is for whoever gave the call
        future.set_exception(error)
