"""A desk at which people act: two tanks, a ledger, a clock that goes when the test says so."""

import asyncio
import json
import shutil
import sqlite3
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway.acting import Acting
from gateway.actions.alarm_door import AlarmCommand, AlarmDoor, Refusal
from gateway.binding import TankBinding
from gateway.keeping import Keeping
from gateway.ledger.audit import AuditRow, audit_rows, first_broken
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.settings import SiteSettings, TankSetup
from gateway.tank_state import AlarmStanding
from tests.settings.yard import SITE, load

__all__ = ["BEGIN", "Desk", "settings", "site_text"]

_PATIENCE_S = 40.0
_TURN_S = 0.001
"""Of the machine, from one turn to the next."""
BEGIN = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)
_SHAPE = "shape: {kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}, reference_height: 15.240 m"


def site_text(gauged: str = "", dipped: str = "") -> str:
    """TK-1 has a gauge, a thermometer and a water probe; TK-2 is dipped. With more keys of each."""
    return f"""{SITE}
tanks:
  TK-1: {{product: diesel, {_SHAPE}, level: {{instrument: G-1, signal: innage, measures: innage}},
    temperature: {{instrument: G-1, elements: [{{signal: t1, height: 1 m}}]}},
    free_water: {{kind: probe, instrument: G-1, signal: water}}{gauged}}}
  TK-2: {{product: diesel, {_SHAPE},
    manual: {{level: {{value: 3 m, entered: 2026-11-20T06:00Z, expires: 31 d}}}},
    free_water: {{kind: dip, value: 20 mm, entered: 2026-11-20T06:00Z, expires: 31 d}}{dipped}}}
"""


def settings(folder: Path, **more: str) -> SiteSettings:
    return load(folder, site_text(**more))


class NoAlarms:
    """Nothing is raised here."""

    def apply(self, tank: str, command: AlarmCommand, *, only_tried: bool = False) -> Refusal | None:
        return Refusal(f"{tank} has no alarm '{command.alarm}'", "it has none")

    def standings(self) -> Mapping[str, tuple[AlarmStanding, ...]]:
        return {}


class _Turns:
    """asyncio, for whom `Acting.run` is: it tells when so many turns are over."""

    def __init__(self, wanted: int) -> None:
        self._left = wanted
        self.over = asyncio.Event()

    def __getattr__(self, name: str) -> Any:
        return getattr(asyncio, name)

    async def sleep(self, seconds: float) -> None:
        if seconds == _TURN_S:
            self._left -= 1
            if self._left <= 0:
                self.over.set()
        await asyncio.sleep(seconds)


class Desk:
    """One process after the other; each ends well or is killed."""

    def __init__(
        self, folder: Path, *, ledger: bool = True, alarms: AlarmDoor | None = None, text: str | None = None
    ) -> None:
        """`text`: of another site file."""
        self.folder = folder
        self.settings = settings(folder) if text is None else load(folder, text)
        self.now = BEGIN
        self.jumped = timedelta()
        """By how much UTC was set while no time passed."""
        self._alarms: AlarmDoor = NoAlarms() if alarms is None else alarms
        self._has_ledger = ledger
        self._lives = 0
        self.file = folder / "life-0" / "yard.ledger"
        self.file.parent.mkdir()
        self.rebound: list[TankBinding] = []
        self.refitted: list[TankSetup] = []
        self.begin()

    def utc_ns(self) -> int:
        return round((self.now + self.jumped).timestamp() * 1e9)

    def monotonic_ns(self) -> int:
        return time.monotonic_ns() + round((self.now - BEGIN).total_seconds() * 1e9)

    def begin(self) -> None:
        self._lives += 1
        plan = LedgerPlan(file=self.file, commit_s=0.1)
        boot = f"{self._lives:032x}"
        self.ledger = Ledger.open(plan, "yard", boot, self) if self._has_ledger else None
        keeping = Keeping(self.ledger, None)
        self.acting = Acting(self.settings, keeping, self, self.rebound.append, refit=self.refitted.append)
        self.acting.alarms = self._alarms

    def stop(self) -> None:
        if self.ledger is not None:
            assert self.ledger.close(20.0)

    def restart(self) -> None:
        self.stop()
        self.begin()

    def kill(self) -> None:
        """What is on the disk at this moment is all that the next one has."""
        before, self.file = self.file, self.folder / f"life-{self._lives}" / "yard.ledger"
        self.file.parent.mkdir()
        for name in (before.name, f"{before.name}-wal"):
            if (before.parent / name).exists():
                shutil.copy(before.parent / name, self.file.parent / name)
        ledger = self.ledger
        self.begin()
        if ledger is not None:
            ledger.close(20.0)

    def reload(self, **more: str) -> None:
        self.settings = settings(self.folder, **more)
        self.acting.watched(self.settings)

    def act(self, who: str = "anna", **request: str) -> dict[str, Any]:
        return asyncio.run(self.acting.act(request, who))

    def pass_time(self, delta: timedelta) -> None:
        """And let the gateway look at what has expired."""
        self.now += delta
        self.turn()

    def turn(self) -> None:
        """The gateway looks at what has come, a few times: each time to the end, whatever the disk takes for it."""
        turns = _Turns(3)

        async def turn() -> None:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr("gateway.acting.asyncio", turns)
                patch.setattr("gateway.acting._TURN_S", _TURN_S)
                task = asyncio.ensure_future(self.acting.run())
                over = asyncio.ensure_future(turns.over.wait())
                await asyncio.wait([task, over], timeout=60.0, return_when=asyncio.FIRST_COMPLETED)
                assert turns.over.is_set(), task
                task.cancel()
                await asyncio.wait([task])

        asyncio.run(turn())

    def until(self, is_so: Callable[[], bool]) -> None:
        """Turn after turn, until the ledger has done what is waited for."""
        until_s = time.monotonic() + _PATIENCE_S
        while not is_so():
            assert time.monotonic() < until_s, "it did not come about"
            self.turn()
            time.sleep(0.01)

    def binding(self, tank: str) -> TankBinding:
        watched = self.acting.watched(self.settings)
        return next(binding for plan, binding, _ in watched if plan.tank == tank)

    def listed(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.act(action="list")["entries"]
        return found

    def audit(self) -> list[tuple[AuditRow, Mapping[str, Any]]]:
        """The whole trail, whose chain holds."""
        with closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True)) as connection:
            rows = list(audit_rows(connection))
        assert first_broken(rows) is None
        return [(row, json.loads(row.body)) for row in rows]
