"""The people of a demo: each does his part at its time, by the site's clock, through the door that real ones use."""

import asyncio
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from gateway.commands.demonstration.play import Act

__all__ = ["Story", "live_through"]

_LONGEST_WAIT_S = 0.5
_AGAIN_S = 0.2
_TRIES = 20
"""What is waited for may come a little late on a busy machine: a movement that is noticed, a ticket."""


class Story:
    """What happened so far, a line each, for the screen."""

    def __init__(self, time_zone: str) -> None:
        self.lines: list[str] = []
        self._zone = ZoneInfo(time_zone)

    def tell(self, instant: datetime, text: str) -> None:
        self.lines.append(f"{instant.astimezone(self._zone):%H:%M}  {text}")


class Asked(Protocol):
    """A gateway that somebody may ask for something."""

    async def __call__(self, request: Mapping[str, str], person: str, /) -> dict[str, Any]: ...


async def live_through(
    acts: Iterable[Act],
    now: Callable[[], datetime],
    time_factor: float,
    ask: Asked,
    story: Story,
) -> None:
    """Returns when the last has acted."""
    for act in acts:
        await _until(act.at, now, time_factor)
        story.tell(act.at, f"{act.who}: {act.says}")
        if act.asks:
            answer = await _answered(act, ask)
            mark = "" if answer["code"] == 0 else "refused: "
            for line in (*answer["lines"], *answer.get("notes", ())):
                story.tell(now(), f"  {mark}{line}")


async def _until(instant: datetime, now: Callable[[], datetime], time_factor: float) -> None:
    while (wait_s := (instant - now()).total_seconds() / time_factor) > 0.0:  # noqa: ASYNC110 (a clock, no event)
        await asyncio.sleep(min(wait_s, _LONGEST_WAIT_S))


async def _answered(act: Act, ask: Asked) -> dict[str, Any]:
    for _ in range(_TRIES - 1):
        answer = await ask(act.asks, act.who)
        if answer["code"] == 0:
            return answer
        await asyncio.sleep(_AGAIN_S)
    return await ask(act.asks, act.who)
