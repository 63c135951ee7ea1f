"""What follows from an act is worked out between polls, however many tanks it touches."""

import asyncio
from collections.abc import Iterator
from typing import Any, cast

import pytest

from gateway.page_answers import consequences
from gateway.pipeline import Pipeline


async def test_an_instrument_that_feeds_hundreds_of_tanks_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    tanks, turns = 300, 0
    made: list[int] = []
    told: list[int] = []

    async def others() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    def setups() -> Iterator[Any]:
        for _ in range(tanks):
            made.append(turns)
            yield None

    def told_of(*_: object) -> consequences.Consequences:
        told.append(turns)
        return consequences.Consequences(("a line",))

    monkeypatch.setattr(consequences, "_told_of", told_of)
    other = asyncio.create_task(others())
    found = await consequences.consequences(cast(Pipeline, None), setups())
    other.cancel()
    assert len(found.lines) == tanks
    # Each tank is made and told of in a turn of its own, with one of the others between.
    assert made == told == list(range(told[0], told[0] + tanks))
