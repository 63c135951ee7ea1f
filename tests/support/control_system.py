"""A control system that polls registers without a pause and believes nothing: what it was told is looked at each time.

It sends several requests before it reads the first answer, comes back whenever a connection ends, and holds every
answer against the document: a number stands there exactly where its quality says so, all of one block is of one sheet.
"""

import asyncio
import math
import struct
import time
from collections import Counter
from contextlib import suppress

from tests.support.register_map import RegisterMap, request

__all__ = ["ControlSystem"]

_HEADER, _MAIN, _STATES = 40, 125, (250, 65)
_LONGEST_S = 10.0
_VALID_S, _SLACK_S = 10.0, 5.0
"""A sheet of a tank that is read each few seconds holds for 10 s; the machine of a test may be slow to read of it."""


class ControlSystem:
    """Polls the site and each tank of a map, so many requests a second, `run` until it is cancelled."""

    def __init__(self, port: int, known: RegisterMap, *, requests_per_s: float = 20.0) -> None:
        self.known = known
        self._port = port
        self._wait_s = len(self._round()) / requests_per_s
        self.site: dict[str, float] = {}
        self.tanks: dict[str, dict[str, float]] = {}
        """What was last told of each; empty for one whose block there is not."""
        self.wrong: list[str] = []
        self.answers = self.connects = self.lost = 0
        self.exceptions: Counter[int] = Counter()
        self.longest_s = 0.0
        """Until all answers of a round had come."""

    def _round(self) -> list[tuple[str, int, int]]:
        reads = [("", 0, _HEADER)]
        for tank in self.known.tanks:
            first = self.known.first(tank)
            reads += [(tank, first, _MAIN), (tank, first + _STATES[0], _STATES[1])]
        return reads

    async def run(self) -> None:
        while True:
            with suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
                await self._one_connection()
            self.lost += 1
            await asyncio.sleep(0.1)

    async def _one_connection(self) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        self.connects += 1
        transaction = 0
        try:
            while True:
                begun_s = time.monotonic()
                reads = self._round()
                numbers = [(transaction + place) % 65_536 for place in range(len(reads))]
                for number, (_, first, count) in zip(numbers, reads, strict=True):
                    unit = (0, 1, 255)[number % 3]
                    writer.write(request(number, first, count, function=3 + number % 2, unit=unit))
                for number, (tank, first, count) in zip(numbers, reads, strict=True):
                    self._look(tank, first, count, await self._answer(reader, number))
                transaction += len(reads)
                self.longest_s = max(self.longest_s, time.monotonic() - begun_s)
                await asyncio.sleep(self._wait_s)
        finally:
            writer.transport.abort()

    async def _answer(self, reader: asyncio.StreamReader, transaction: int) -> bytes:
        async with asyncio.timeout(_LONGEST_S):
            told, protocol, length, _ = struct.unpack(">HHHB", await reader.readexactly(7))
            message = await reader.readexactly(length - 1)
        self.answers += 1
        if (told, protocol) != (transaction, 0):
            self.wrong.append(f"answer {told} to request {transaction}")
        return message

    def _look(self, tank: str, first: int, count: int, message: bytes) -> None:
        if message[0] & 0x80:
            self.exceptions[message[1]] += 1
            self.tanks[tank] = {}
            return
        if len(message) != 2 + 2 * count:
            self.wrong.append(f"{tank}: {len(message)} bytes for {count} registers")
            return
        told = self.known.numbers(tank, message[2:], first)
        if tank:
            self.tanks[tank] = {**self.tanks.get(tank, {}), **told}
            age_s = time.time() - told.get("sheet_time", math.inf)
            if told.get("main.validity") == 1 and age_s > _VALID_S + _SLACK_S:
                self.wrong.append(f"{tank}: a sheet of {age_s:.0f} s ago is told as live")
            self.wrong += [f"{tank}: {each}" for each in _contradictions(told, self.known, tank)]
        else:
            self.site = told


def _contradictions(told: dict[str, float], known: RegisterMap, tank: str) -> list[str]:
    found = []
    validity = told.get("main.validity", told.get("states.validity"))
    for key, number in told.items():
        if not key.endswith(".float") or key.startswith("limit."):
            continue
        name = key.removesuffix(".float")
        whole, quality = told[f"{name}.integer"], told[f"{name}.quality"]
        entry = known.entry(tank, f"{name}.integer")
        none = int(entry.none.split(" ")[0])
        if (quality in (1, 2)) is math.isnan(number):
            found.append(f"{name} is {number} with quality {quality}")
        if quality in (1, 2) and validity != 1:
            found.append(f"{name} has quality {quality} where the block has validity {validity}")
        if math.isnan(number) and whole != none:
            found.append(f"{name} has no float and the whole number {whole}")
        step = float(entry.step or 1)
        if not math.isnan(number) and abs(whole * step - number) > step + abs(number) * 1e-6:
            found.append(f"{name} is {number} and {whole} steps of {step}")
    if validity != 1 and any(told.get(key, 0) for key in ("limit_state", "motion", "main.quality", "states.quality")):
        found.append(f"there is a state where the block has validity {validity}")
    return found
