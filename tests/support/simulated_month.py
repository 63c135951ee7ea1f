"""Months of a depot, seeded: what truly was in each tank and truly moved, and what instruments and papers said of it.

The truth knows nothing of the gateway: cylinders, straight lines, weather. Each instrument has its own error for the
month, drawn as its data sheet would have it, and another at each reading.
"""

import itertools
from collections.abc import Sequence
from datetime import datetime, timedelta
from math import exp
from random import Random
from typing import NamedTuple

__all__ = ["Depot", "Document", "Movement", "Reading", "Tank", "simulated_month"]

_REFERENCE_C = 15.0
_HOUR = timedelta(hours=1)
_SETTLED = timedelta(minutes=30)
_TANKS = (
    # name, product, surface in m2, height in m, expansion in 1/K
    ("TK-1", "diesel", 254.0, 13.0, 8.46e-4),
    ("TK-2", "diesel", 400.0, 14.0, 8.46e-4),
    ("J-1", "jet", 113.0, 9.5, 9.24e-4),
    ("J-2", "jet", 130.0, 10.0, 9.24e-4),
)
_DENSITY = {"diesel": 838.0, "jet": 802.0}


class Tank(NamedTuple):
    name: str
    product: str
    area_m2: float
    """By the capacity table."""
    height_m: float
    expansion: float
    density: float
    table: float
    """By which part the true surface is more than that of the table."""
    gauge_m: float
    """What the gauge shows too much."""
    thermometer_k: float
    courses_m: tuple[float, ...]
    """What the table has wrong at each decimetre, as a level."""


class Reading(NamedTuple):
    """What the instruments of a tank say, and what table and expansion make of it."""

    tank: Tank
    instant: datetime
    level_m: float
    temperature_c: float
    ctl: float
    volume_m3: float
    """Observed."""
    standard_m3: float
    is_moving: bool


class Movement(NamedTuple):
    """What a ticket is made of. `true_m3`: standard volume into the tank, below zero out of it."""

    opening: Reading
    closing: Reading
    true_m3: float


class Document(NamedTuple):
    """What somebody else measured."""

    product: str
    is_receipt: bool
    value_m3: float
    instant: datetime
    movement: int | None
    """Place of the movement that it is of; None: it has no ticket."""


class Depot(NamedTuple):
    tanks: tuple[Tank, ...]
    readings: tuple[Reading, ...]
    """Of each tank at each boundary."""
    movements: tuple[Movement, ...]
    documents: tuple[Document, ...]
    true_m3: dict[tuple[str, datetime], float]
    """Standard volume by tank and boundary."""


class _Flow(NamedTuple):
    begin: datetime
    end: datetime
    moved_m3: float
    how: str
    """ship, pipeline or rack."""


def simulated_month(seed: int, boundaries: Sequence[datetime], *, stolen_m3: float = 0.0) -> Depot:
    """Two products in four tanks: receipts by ship, dispatches by pipeline and by trucks, many over a boundary.

    `boundaries`: the ends of all days, in order; nothing moves before the first. `stolen_m3`: what is drawn out of TK-1
    in the middle of the month, of which there is no paper.
    """
    random = Random(seed)
    tanks = tuple(_tank(random, *each) for each in _TANKS)
    meters = {how: random.uniform(-0.003, 0.003) for how in ("ship", "pipeline", "rack")}
    readings: list[Reading] = []
    movements: list[Movement] = []
    documents: list[Document] = []
    true_m3: dict[tuple[str, datetime], float] = {}
    for tank in tanks:
        first = random.uniform(0.4, 0.6) * tank.area_m2 * tank.height_m
        flows = _flows(random, tank, first, boundaries)
        if tank.name == "TK-1" and stolen_m3:
            middle = boundaries[len(boundaries) // 2] + 4 * _HOUR
            flows.append(_Flow(middle, middle + _HOUR / 2, -stolen_m3, "theft"))

        def held(instant: datetime, first: float = first, flows: list[_Flow] = flows) -> float:
            return first + sum(flow.moved_m3 * _done(flow, instant) for flow in flows)

        def read(instant: datetime, tank: Tank = tank, flows: list[_Flow] = flows) -> Reading:
            moving = any(flow.begin < instant < flow.end for flow in flows)
            return _read(random, tank, held(instant), _weather(tank, instant, boundaries[0]), instant, moving)

        for flow in flows:
            if flow.how == "theft":
                continue
            if flow.how != "rack":
                movements.append(Movement(read(flow.begin), read(flow.end + _SETTLED), flow.moved_m3))
            documents += _documents(random, tank, flow, meters[flow.how], len(movements) - 1)
        for boundary in boundaries:
            true_m3[tank.name, boundary] = held(boundary)
            readings.append(read(boundary))
    return Depot(tanks, tuple(readings), tuple(movements), tuple(documents), true_m3)


def _tank(random: Random, name: str, product: str, area_m2: float, height_m: float, expansion: float) -> Tank:
    return Tank(
        name,
        product,
        area_m2,
        height_m,
        expansion,
        _DENSITY[product],
        table=random.uniform(-0.002, 0.002),
        gauge_m=random.uniform(-0.003, 0.003) + random.uniform(-0.003, 0.003),
        thermometer_k=random.uniform(-0.25, 0.25),
        courses_m=tuple(random.gauss(0.0, 0.0005) for _ in range(200)),
    )


def _flows(random: Random, tank: Tank, first: float, boundaries: Sequence[datetime]) -> list[_Flow]:
    """One a day at most, from five hours after the boundary on, so that none meets the next."""
    flows: list[_Flow] = []
    held, room = first, 0.95 * tank.area_m2 * tank.height_m
    for begin, end in itertools.pairwise(boundaries):
        how = random.choice(("ship", "pipeline", "rack", "rack", ""))
        start = begin + 5 * _HOUR + random.random() * (end - begin - 6 * _HOUR)
        if how == "rack":
            # Trucks come in working hours only.
            start = begin + 5 * _HOUR
        most = room - held if how == "ship" else held - 0.15 * room
        moved = random.uniform(0.2, 0.7) * most
        if not how or moved < 30.0:
            continue
        moved = moved if how == "ship" else -min(moved, 200.0)
        flows.append(_Flow(start, start + 5 * _HOUR, moved, how))
        held += moved
    return flows


def _documents(random: Random, tank: Tank, flow: _Flow, meter: float, movement: int) -> list[Document]:
    """Of each truck one; of a ship or a batch one in two times, of its ticket."""
    into = flow.moved_m3 > 0.0
    if flow.how != "rack":
        if random.random() < 0.5:
            return []
        value = abs(flow.moved_m3) * (1.0 + meter) * (1.0 + random.gauss(0.0, 0.0005))
        return [Document(tank.product, into, value, flow.end, movement)]
    count = max(1, round(abs(flow.moved_m3) / 32.0))
    each = abs(flow.moved_m3) / count
    return [
        Document(
            tank.product,
            into,
            each * (1.0 + meter) * (1.0 + random.gauss(0.0, 0.0005)),
            flow.begin + (number + 1) * (flow.end - flow.begin) / (count + 1),
            None,
        )
        for number in range(count)
    ]


def _done(flow: _Flow, instant: datetime) -> float:
    return min(1.0, max(0.0, (instant - flow.begin) / (flow.end - flow.begin)))


def _weather(tank: Tank, instant: datetime, first: datetime) -> float:
    """It gets warmer in the course of the month, and each tank has its own."""
    days = (instant - first) / timedelta(days=1)
    return 9.0 + 0.35 * days + tank.area_m2 % 4.0


def _read(
    random: Random, tank: Tank, standard_m3: float, temperature_c: float, instant: datetime, is_moving: bool
) -> Reading:
    true_m3 = standard_m3 / _ctl(tank, temperature_c)
    level_m = true_m3 / (tank.area_m2 * (1.0 + tank.table)) + tank.gauge_m
    level_m += tank.courses_m[round(10.0 * level_m)] + random.gauss(0.0, 0.0005)
    seen_c = temperature_c + tank.thermometer_k + random.gauss(0.0, 0.1)
    ctl, volume_m3 = _ctl(tank, seen_c), level_m * tank.area_m2
    return Reading(tank, instant, level_m, seen_c, ctl, volume_m3, volume_m3 * ctl, is_moving)


def _ctl(tank: Tank, temperature_c: float) -> float:
    x = tank.expansion * (temperature_c - _REFERENCE_C)
    return exp(-x * (1.0 + 0.8 * x))
