"""The garbage collector of Python, told what kind of program this is.

A gateway makes and drops some hundred small objects for each sheet, and reference counting alone frees them: next to
nothing is ever found in a cycle. With the settings that Python has by itself, a thousand tanks a second were stopped
several times a second to look through the newest sheets (20 to 50 ms each), and at times through everything (230 ms).
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["settled_collector"]

_YOUNG = 50_000
"""Objects that must have come and not gone before the collector looks for cycles: some megabytes."""


@contextmanager
def settled_collector() -> Iterator[None]:
    """While it holds, what has been made up to now is not looked through again, and what is new only when it piles up.

    For the whole process: enter it when the site is loaded.
    """
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
