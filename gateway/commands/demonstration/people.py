"""The people of a demo: each does his part at its time, by the site's clock, through the door that real ones use."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from datetime import datetime
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from gateway.commands.demonstration.books import DemoBooks
from gateway.commands.demonstration.play import Act

__all__ = ["Story", "live_through"]

_NUMBERED = ("transfer", "ticket")
_NEWS_S = 1.0
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


NumberOf = Callable[[str, str], Awaitable[int | None]]


async def live_through(
    acts: Iterable[Act],
    now: Callable[[], datetime],
    time_factor: float,
    ask: Asked,
    number_of: NumberOf,
    story: Story,
) -> None:
    """`number_of`: of a transfer or ticket, where a tank is given. Returns when the last has acted."""
    for act in acts:
        await _until(act.at, now, time_factor)
        story.tell(act.at, f"{act.who}: {act.says}")
        if act.asks:
            answer = await _answered(act, ask, number_of)
            mark = "" if answer["code"] == 0 else "refused: "
            for line in (*answer["lines"], *answer.get("notes", ())):
                story.tell(now(), f"  {mark}{line}")


async def lived(
    acts: Iterable[Act],
    now: Callable[[], datetime],
    time_factor: float,
    ask: Asked,
    books: DemoBooks,
    story: Story,
) -> None:
    """People act, and what the accounts make of the day is told with it. Until cancelled."""

    async def number_of(what: str, tank: str) -> int | None:
        return await asyncio.to_thread(books.number_of, what, tank)

    async with asyncio.TaskGroup() as living:
        living.create_task(live_through(acts, now, time_factor, ask, number_of, story), name="people of the demo")
        while True:
            for instant, text in await asyncio.to_thread(books.news):
                story.tell(instant, f"the gateway: {text}")
            await asyncio.sleep(_NEWS_S)


async def _until(instant: datetime, now: Callable[[], datetime], time_factor: float) -> None:
    while (wait_s := (instant - now()).total_seconds() / time_factor) > 0.0:  # noqa: ASYNC110 (a clock, no event)
        await asyncio.sleep(min(wait_s, _LONGEST_WAIT_S))


async def _answered(act: Act, ask: Asked, number_of: NumberOf) -> dict[str, Any]:
    for _ in range(_TRIES - 1):
        answer = await _asked(act, ask, number_of)
        if answer["code"] == 0:
            return answer
        await asyncio.sleep(_AGAIN_S)
    return await _asked(act, ask, number_of)


async def _asked(act: Act, ask: Asked, number_of: NumberOf) -> dict[str, Any]:
    request = dict(act.asks)
    for key in _NUMBERED:
        if key in request:
            number = await number_of(key, request[key])
            if number is None:
                return {"code": 1, "lines": [f"there is no {key} of {request[key]}"]}
            request[key] = str(number)
    return await ask(request, act.who)
