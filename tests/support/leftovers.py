"""What a process holds, counted before and after something is done many times: what grows with the times is a leak."""

import asyncio
import gc
import os
import sys
from typing import NamedTuple, Self

import psutil

__all__ = ["Held"]

SLACK_BLOCKS = 400
"""Blocks of memory that come and go with caches, interned values and the test's own bookkeeping."""
SLACK_MB = 10.0
_PATIENCE_S = 10.0


class Held(NamedTuple):
    tasks: int
    descriptors: int
    blocks: int
    """Of memory, as the interpreter counts them, garbage removed."""
    memory_mb: float
    """Resident, of the whole process."""

    @classmethod
    def now(cls) -> Self:
        """To be called on a running loop."""
        gc.collect()
        return cls(
            len(asyncio.all_tasks()),
            len(os.listdir("/proc/self/fd")),
            sys.getallocatedblocks(),
            psutil.Process().memory_info().rss / 2**20,
        )

    async def assert_no_more(self, repetitions: int) -> None:
        """Less than one block in four repetitions beside the slack, and no task or descriptor at all, once peers have
        had time to notice what was closed."""
        async with asyncio.timeout(_PATIENCE_S):
            while self._is_exceeded():  # noqa: ASYNC110 - nothing tells when the last of them is gone
                await asyncio.sleep(0.01)
        after = Held.now()
        assert after.blocks - self.blocks < SLACK_BLOCKS + repetitions / 4, (self, after, repetitions)
        assert after.memory_mb - self.memory_mb < SLACK_MB, (self, after, repetitions)

    def _is_exceeded(self) -> bool:
        return len(asyncio.all_tasks()) > self.tasks or len(os.listdir("/proc/self/fd")) > self.descriptors
