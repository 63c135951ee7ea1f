"""A few of the demo site's tanks, played by the simulators through real Modbus, with the site's own time going fast:
what a user sees of it, from the first reading to the end of the story.

The site file and the scenario of a story are those of the demo, cut down to the tanks that it is about, and changed.
"""

import asyncio
import copy
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
import yaml

import simulators
from gateway.clock import SystemClock
from gateway.daemon import Daemon
from gateway.delivery.contract import Surroundings, Wants
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.keeping import Open, nothing_kept
from gateway.payload.alarms import alarms_json
from gateway.records import Figure
from gateway.resources import config_path
from gateway.scenario_time import SetClock
from gateway.settings import SiteSettings, dated_entries, load_site
from gateway.status import DestinationStatus
from gateway.tank_record import Event, EventKind, TankRecord
from gateway.tank_state import TankState

__all__ = ["Story", "codes", "played", "state", "text", "value"]

_PATIENCE_S = 40.0
"""Of the machine, for one state: far more than it takes, also where the machine is busy."""
_TICK_S = 0.02
_SCENARIO = Path(simulators.__file__).parent / "scenarios" / "ten_tanks.yaml"

Changes = Mapping[str, Any]
"""Keys to be put in, or with None to be left out, block by block."""


@dataclass(frozen=True)
class _Reader:
    """Stands in for a destination that somebody reads: the plan."""

    heard: Callable[[TankRecord], None]
    name: str = "reader"
    place: str = "reader"
    descriptors: int = 0
    longest_turn_s: float = 1.0


class _Reading:
    """The destination itself."""

    wants = Wants()

    def __init__(self, plan: _Reader, around: Surroundings) -> None:
        self._plan = plan

    def offer(self, record: TankRecord) -> None:
        self._plan.heard(record)

    def finish(self, records: Sequence[TankRecord]) -> None:
        pass

    async def run(self) -> None:
        await asyncio.Event().wait()

    def status(self) -> DestinationStatus:
        return DestinationStatus(self._plan.name, True, 0, 0, 0, None)


class Story:
    """What a test may look at and disturb."""

    def __init__(
        self, simulator: simulators.Running, file: Path, factor: float, keep: Open, begins: datetime | None = None
    ) -> None:
        self._begins = begins
        self._clock = None if begins is None else SetClock(SystemClock(), begins)
        self.simulator = simulator
        self.file = file
        """The site file."""
        self.records: list[TankRecord] = []
        """All that was told, in order."""
        self._factor = factor
        self._keep = keep
        self._task: asyncio.Task[None] | None = None
        self._reader = _Reader(self.records.append)
        self.gateway = self._made()

    def _made(self) -> Daemon:
        return Daemon(self._settings(), clock=self._clock, time_factor=self._factor, keep=self._keep)

    def _settings(self) -> SiteSettings:
        now = datetime.now(UTC) if self._begins is None else self._begins
        settings = load_site(self.file, dict.fromkeys(dated_entries(self.file), f"{now:%Y-%m-%dT%H:%MZ}"), now)
        return replace(settings, http=None, deliveries=(*settings.deliveries, self._reader))

    def begin(self) -> None:
        self._task = asyncio.create_task(self.gateway.run(), name="gateway of a story")

    async def stop(self) -> None:
        """As a signal would."""
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait({self._task}, timeout=20.0)
        assert self._task.cancelled(), self._task

    async def begin_anew(self) -> None:
        """The gateway stops, and another takes its place, with what the ledger has. The site's own time goes on."""
        now = self.gateway.snapshot().instant
        await self.stop()
        self._clock = SetClock(SystemClock(), now + timedelta(seconds=1))
        self.gateway = self._made()
        self.begin()

    async def take_over(self) -> None:
        """The site file is read again, as SIGHUP has it."""
        await self.gateway.take_over(self._settings())

    async def until(self, tank: str, wanted: Callable[[TankRecord], object]) -> TankRecord:
        """The first record of a tank from the newest on that is as wanted."""
        place = next((i for i in reversed(range(len(self.records))) if self.records[i].identity.tank == tank), 0)
        newest: TankRecord | None = None
        try:
            async with asyncio.timeout(_PATIENCE_S):
                while True:
                    while place < len(self.records):
                        record = self.records[place]
                        place += 1
                        if record.identity.tank == tank:
                            newest = record
                            if wanted(record):
                                return record
                    await asyncio.sleep(0.005)
        except TimeoutError:
            raise AssertionError(f"{tank} never came to that; last: {told(newest)}; {self.alarms()}") from None

    async def passes(self, tank: str, seconds: float) -> None:
        """So much of the site's own time, by the sheets of a tank."""
        first = await self.until(tank, lambda record: True)
        end = first.inventory.instant.timestamp() + seconds
        await self.until(tank, lambda record: record.inventory.instant.timestamp() >= end)

    def alarms(self, tank: str | None = None, *, active: bool = True) -> dict[str, dict[str, Any]]:
        """By name, what /alarms has of a tank, or of all; by default what is the case now."""
        document = orjson.loads(alarms_json(self.gateway.snapshot()))
        return {
            each["alarm"]["name"]: each
            for each in document["alarms"]
            if (tank is None or each["tank"] == tank) and (each["alarm"]["active"] or not active)
        }

    async def alarm(self, name: str, tank: str | None = None) -> dict[str, Any]:
        """That alarm, once it is active."""
        await self._wait(lambda: name in self.alarms(tank), f"{name} was never raised")
        return self.alarms(tank)[name]

    async def over(self, name: str, tank: str | None = None) -> None:
        """Until what raised the alarm is over."""
        await self._wait(lambda: name not in self.alarms(tank), f"{name} never ended")

    async def _wait(self, wanted: Callable[[], bool], otherwise: str) -> None:
        try:
            async with asyncio.timeout(_PATIENCE_S):
                while not wanted():  # noqa: ASYNC110 (the gateway raises no event: it is looked at as its page is)
                    await asyncio.sleep(0.02)
        except TimeoutError:
            newest = self.records[-1] if self.records else None
            raise AssertionError(f"{otherwise}; last: {told(newest)}; {self.alarms()}") from None

    def events(self, kind: EventKind, subject: str | None = None) -> list[Event]:
        """What was told at the tanks, of an alarm say."""
        found = [event for record in self.records for event in record.events if event.kind is kind]
        return [event for event in found if subject is None or event.subject == subject]

    async def enter(self, **request: str) -> None:
        """What somebody types at `tank-gateway enter`."""
        answer = await self.gateway.acting.act(request, "night shift")
        assert answer["code"] == 0, answer

    async def settled(self, *tanks: str) -> None:
        """Until each tank has a level and a volume."""
        for tank in tanks:
            await self.until(tank, lambda record: record.inventory.figures.tov.value is not None)


@asynccontextmanager
async def played(
    tanks: Iterable[str],
    folder: Path,
    *,
    factor: float = 60.0,
    period: str = "10 s",
    site: Changes | None = None,
    scenario: Changes | None = None,
    keep: Open = nothing_kept,
    begins: datetime | None = None,
) -> AsyncIterator[Story]:
    """The demo's `tanks`, on free ports or on the serial lines that the changes give. `period`: of all instruments;
    `begins`: what the site's clock shows at first, that of the machine unless given."""
    wanted = set(tanks)
    scenario_file, site_file = folder / "scenario.yaml", folder / "site.yaml"
    world = _of(wanted, _read(_SCENARIO), lambda part: {each["tank"] for each in part["signals"].values()})
    world |= {"time_factor": f"{factor:g}", "tick": f"{_TICK_S:g} s"}
    _write(_merged(world, scenario or {}), scenario_file)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(DESTINATION_KINDS, _Reader, _Reading)
        served = simulators.load_scenario(scenario_file)
        async with simulators.serve(served, ports=_free_ports(served)) as running:
            path = config_path("demo", "site.yaml")
            tree = _merged(_of_tanks(wanted, _read(path), world, period), site or {})
            for line, (host, port) in running.addresses.items():
                tree["lines"][line]["address"] = f"{host}:{port}"
            _write({**tree, "web": None}, site_file)
            story = Story(running, site_file, factor, keep, begins)
            story.begin()
            try:
                yield story
            finally:
                await story.stop()


def value(figure: Figure) -> float:
    """Of one that has a value."""
    assert figure.value is not None, text(figure)
    return figure.value


def state(record: TankRecord) -> TankState:
    """How the tank moves."""
    assert record.state is not None
    return record.state


def text(figure: Figure) -> str:
    """What people read beside a figure."""
    return "; ".join(reason.text for reason in figure.reasons)


def codes(figure: Figure) -> set[str]:
    return {reason.code.value for reason in figure.reasons}


def told(record: TankRecord | None) -> str:
    if record is None:
        return "nothing"
    figures = record.inventory.figures
    parts = [f"{name} {figure.value} {figure.quality.name} {text(figure)}" for name, figure in _main(figures)]
    if (moves := record.state) is not None:
        times = {each.limit: round(each.in_s) for each in moves.times}
        parts.append(f"{moves.motion} at {moves.rate.value} m3/s, {text(moves.rate)}; {moves.activity}; {times}")
    return "; ".join(parts)


def _main(figures: Any) -> list[tuple[str, Figure]]:
    return [(name, getattr(figures, name)) for name in ("level", "liquid_temperature", "tov", "gsv", "mass")]


def _free_ports(scenario: simulators.Scenario) -> dict[str, int]:
    return {name: 0 for name, line in scenario.lines.items() if line.serial is None}


def _read(path: Path) -> dict[str, Any]:
    """Every value as the text that stands there."""
    tree: dict[str, Any] = yaml.load(path.read_text(encoding="utf-8"), yaml.BaseLoader)
    return tree


def _write(tree: Changes, path: Path) -> None:
    filled = {key: value for key, value in tree.items() if value is not None and value != {}}
    path.write_text(yaml.safe_dump(filled, sort_keys=False, allow_unicode=True), encoding="utf-8")


def _of(tanks: set[str], tree: dict[str, Any], tanks_of: Callable[[Any], set[str]]) -> dict[str, Any]:
    instruments = {tag: part for tag, part in tree["instruments"].items() if tanks_of(part) <= tanks}
    lines = {part["line"] for part in instruments.values()}
    return {
        **tree,
        "tanks": {tag: part for tag, part in tree["tanks"].items() if tag in tanks},
        "instruments": instruments,
        "lines": {name: {} for name in tree["lines"] if name in lines},
    }


def _of_tanks(tanks: set[str], site: dict[str, Any], world: dict[str, Any], period: str) -> dict[str, Any]:
    tags = set(world["instruments"])
    kept = {tag: part for tag, part in site["tanks"].items() if tag in tanks}
    products = {part["product"] for part in kept.values()}
    return {
        **site,
        "delivery": {},
        "tanks": kept,
        "instruments": {tag: {**part, "period": period} for tag, part in site["instruments"].items() if tag in tags},
        "lines": {name: {} for name in world["lines"]},
        "products": {name: part for name, part in site["products"].items() if name in products},
    }


def _merged(tree: Changes, changes: Changes) -> dict[str, Any]:
    made = copy.deepcopy(dict(tree))
    for key, value in changes.items():
        if value is None:
            made.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(made.get(key), Mapping):
            made[key] = _merged(made[key], value)
        else:
            made[key] = copy.deepcopy(value)
    return made
