"""The last words to a server, though the task that says them is being cancelled: in bounded time."""

import asyncio
from collections.abc import Coroutine
from typing import Any

import structlog

from gateway.errors import DeliveryError
from gateway.process.tasks import end

__all__ = ["said_in_time"]

_GOODBYE_S = 5.0
"""Longest a clean stop goes on telling the server."""


async def said_in_time(goodbye: Coroutine[Any, Any, None], log: structlog.stdlib.BoundLogger) -> None:
    """Let it be said, shielded; where it is not, the log has why, and the last will speaks for us."""
    saying = asyncio.create_task(goodbye, name="goodbye")
    try:
        # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
        ended, _ = await asyncio.wait([saying], timeout=_GOODBYE_S)
        if not ended:
            raise DeliveryError(f"not all was told within {_GOODBYE_S:g} s")
        saying.result()
    except DeliveryError as exc:
        # No DISCONNECT was sent, so that the last will speaks for us.
        log.warning("delivery.mqtt_goodbye_failed", reason=str(exc))
    finally:
        await end([saying])
