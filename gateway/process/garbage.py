"""The garbage collector of Python, told what kind of program this is.

A gateway makes and drops some hundred small objects for each sheet, and reference counting alone frees them: next to
nothing is ever found in a cycle. With the settings that Python has by itself, a thousand tanks a second were stopped
several times a second to look through the newest sheets (20 to 50 ms each), and at times through everything (230 ms).
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["seldom_collected", "settled_collector"]

_YOUNG = 50_000
"""Objects that must have come and not gone before the collector looks for cycles: some megabytes."""
_BEGINNING = 500_000
"""The same while a command begins: more than all that its modules make."""


@contextmanager
def seldom_collected() -> Iterator[None]:
    """While it holds, what is made is looked through only when very much piles up.

    Of the time that the thousand modules of a gateway take to load, a sixth went into looking through what they had
    just made and never drop.
    """
    with _young(_BEGINNING):
        yield


@contextmanager
def settled_collector() -> Iterator[None]:
    """While it holds, what has been made up to now is not looked through again, and what is new only when it piles up.

    For the whole process: enter it when the site is loaded.
    """
    gc.collect()
    gc.freeze()
    try:
        with _young(_YOUNG):
            yield
    finally:
        gc.unfreeze()


@contextmanager
def _young(objects: int) -> Iterator[None]:
    before = gc.get_threshold()
    gc.set_threshold(objects, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
