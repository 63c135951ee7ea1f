"""`kill -9` at random instants while people act, alarms come and mails go: what was answered is there, and no more.

Levels jump over limits, requests come by the socket of the gateway, mails go to aiosmtpd; after each kill the file is
read without a gateway.
"""

import asyncio
import json
import os
import random
import secrets
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from gateway.kept_memory import Kept
from gateway.ledger.audit import audit_rows, first_broken
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.process.door import connected
from gateway.process.memory_file import DIRECTORY_VARIABLE as STATE
from gateway.process.running import DIRECTORY_VARIABLE as RUNTIME
from gateway.tank_record import Event, EventKind, Identity
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.memory import phase_of
from tests.crash.accounts import account
from tests.crash.yard import Broker, Yard, all_there, mqtt
from tests.processes.gateway_process import GatewayProcess, eventually, gateway
from tests.support.ledger_store import PATIENCE_S, Stand, events_in
from tests.support.mail_server import MailServer

KILLS = int(os.environ.get("ACT_KILLS", "6"))
LIVED_S = (0.8, 4.0)
LEVELS_MM = (500, 3000, 6500, 7500, 8500)
_HEARD = frozenset({AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED})
_OUT_AGAIN = frozenset({EventKind.ALARM_UNSHELVED, EventKind.ALARM_IN_SERVICE, EventKind.ALARM_UNSUPPRESSED})

pytestmark = pytest.mark.timeout(240 + 20 * KILLS)


@contextmanager
def mail_server() -> Iterator[MailServer]:
    loop, server = asyncio.new_event_loop(), MailServer()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    asyncio.run_coroutine_threadsafe(server.start(), loop).result()
    try:
        yield server
    finally:
        asyncio.run_coroutine_threadsafe(server.stop(), loop).result()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


class Desk:
    """Whoever acts: what was answered well is remembered."""

    def __init__(self, folder: Path, chance: random.Random) -> None:
        self._chance = chance
        self.environment = {}
        for variable, name in ((RUNTIME, "runtime"), (STATE, "state")):
            (folder / name).mkdir()
            self.environment[variable] = str(folder / name)
        self._door = folder / "runtime" / "harbour.door"
        self.done: list[Mapping[str, Any]] = []

    def ask(self, **request: str) -> dict[str, Any]:
        """Raises OSError where there is nobody, or somebody was killed."""
        with connected(self._door, 30.0) as client:
            client.sendall(json.dumps(request).encode() + b"\n")
            with client.makefile("rb") as answer:
                line = answer.readline()
        if not line:
            raise ConnectionError("no answer")
        found: dict[str, Any] = json.loads(line)
        return found

    def act(self) -> None:
        """One thing or another."""
        why = secrets.token_hex(8)
        alarms = self.ask(action="list")["alarms"]
        if alarms and self._chance.random() < 0.7:
            alarm = self._chance.choice(alarms)
            action = self._chance.choice(["acknowledge", "acknowledge", "shelve", "unshelve", "in-service"])
            request = {"action": action, "tank": alarm["tank"] or "gateway", "alarm": alarm["name"], "why": why}
            if action == "shelve":
                request["duration"] = self._chance.choice(["2 s", "1 h"])
        else:
            value = f"{self._chance.randrange(8200, 8500) / 10} kg/m3"
            tank = f"TK-{self._chance.randrange(4)}"
            request = {"action": "density", "tank": tank, "value": value, "expires": "31 d", "why": why}
        answer = self.ask(**request)
        if answer["code"] == 0:
            assert not answer["notes"], answer
            self.done.append(request)


def test_what_was_answered_is_there_after_kills_at_random(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED", secrets.randbelow(1_000_000)))
    print(f"CRASH_SEED={seed}")  # noqa: T201 - pytest shows it where the test fails
    chance = random.Random(seed)
    yard, desk = Yard(tmp_path), Desk(tmp_path, chance)
    with mail_server() as mail, Broker(tmp_path / "broker") as broker:
        for each in yard.instruments:
            each.start()
        write_site(yard, broker.server.port, mail.port)
        for _ in range(KILLS):
            with running(yard, desk) as process:
                yard.grows(1)
                until_s = time.monotonic() + chance.uniform(*LIVED_S)
                while time.monotonic() < until_s:
                    chance.choice(yard.instruments).value = chance.choice(LEVELS_MM)
                    with suppress(OSError):
                        desk.act()
                    time.sleep(chance.uniform(0.0, 0.2))
                assert process.process.poll() is None, yard.logged()[-3:]
            assert not wrong_in(yard, tmp_path)
        with running(yard, desk):
            eventually(all_there(yard, broker.reader.history), "all that is committed is at the broker")
            eventually(lambda: told_up_to(yard, "mail"), "people are told of all")
            listed = desk.ask(action="list")
            rows, arrived = yard.rows(), broker.reader.history()
        for each in yard.instruments:
            each.stop()
    wrong = wrong_in(yard, tmp_path)
    known = {each.key for each in rows}
    wrong += account(rows, [each for each in arrived if each.key in known], breaks=KILLS + 1)
    wrong += wrong_in_trail(yard, desk)
    densities = {each["tank"]: each["value"] for each in desk.done if each["action"] == "density"}
    held = {each["about"]: each["block"]["value"] for each in listed["entries"]}
    assert held == densities
    assert not wrong, wrong
    assert mail.mails


@contextmanager
def running(yard: Yard, desk: Desk) -> Iterator[GatewayProcess]:
    with (
        yard.log.open("ab") as log,
        gateway(yard.site, stderr=log, environment=desk.environment) as process,
    ):
        yield process


def write_site(yard: Yard, broker_port: int, mail_port: int) -> None:
    """With limits that the levels jump over, and somebody who gets mails."""
    mail = {
        "address": f"127.0.0.1:{mail_port}",
        "name": "mail",
        "encryption": "none",
        "sender": "gateway@depot.example",
        "to": ["shift@depot.example"],
        "priorities": ["now", "soon", "look"],
        "gather": "500 ms",
        "most_per_hour": 1000,
        "backoff_first": "200 ms",
        "backoff_longest": "1 s",
    }
    yard.write_site({"mqtt": mqtt(broker_port), "mail": mail})
    text, _, web = yard.site.read_text("utf-8").rpartition(", web:")
    site = json.loads(text + "}")
    site["tanks"] = {tag: site["tanks"][tag] for tag in [f"TK-{n}" for n in range(4)]}
    for tank in site["tanks"].values():
        tank["limits"] = {"minimum": "1 m", "maximum_working": "6 m", "high_high": "7 m", "critical_high": "8 m"}
    yard.site.write_text(json.dumps(site, indent=1).removesuffix("}") + ", web:" + web, "utf-8")


def wrong_in(yard: Yard, folder: Path) -> list[str]:
    """Of the file as a kill has left it: what is remembered is what was told, and no alarm was raised twice."""
    copy = folder / "copy.ledger"
    for end in ("", "-wal", "-shm"):
        copy.with_name(copy.name + end).unlink(missing_ok=True)
    for end in ("", "-wal"):
        shutil.copy(f"{yard.ledger}{end}", f"{copy}{end}")
    events = events_in(copy)
    ledger = Ledger.open(LedgerPlan(file=copy), "harbour", "f" * 32, Stand(folder))
    kept = ledger.memory()
    assert ledger.close(PATIENCE_S)
    return [*_raised_anew(events), *_not_remembered(events, kept)]


def _raised_anew(events: list[tuple[Identity, Event]]) -> list[str]:
    before: dict[tuple[str, str], tuple[EventKind, AlarmPhase]] = {}
    wrong = []
    for identity, event in events:
        if event.standing is None:
            continue
        key = identity.tank, event.subject
        kind, phase = before.get(key, (event.kind, AlarmPhase.NORMAL))
        # What is brought back into sight while it holds is raised with that.
        if event.kind is EventKind.ALARM_RAISED and phase in _HEARD and kind not in _OUT_AGAIN:
            wrong.append(f"{key} was raised while it was {phase}")
        before[key] = event.kind, event.standing.phase
    return wrong


def _not_remembered(events: list[tuple[Identity, Event]], kept: Kept | None) -> list[str]:
    told = {(who.tank, event.subject): event.standing.phase for who, event in events if event.standing is not None}
    found: dict[tuple[str, str], AlarmPhase] = {}
    if kept is not None:
        found = {("", name): phase_of(memory) for name, memory in kept.house.alarms.items()}
        for tag, tank in kept.tanks.items():
            found |= {(tag, name): phase_of(memory) for name, memory in tank.watch.alarms.items()}
    return [
        f"{key}: told {told.get(key)}, remembered {found.get(key)}"
        for key in told.keys() | found.keys()
        if told.get(key, AlarmPhase.NORMAL) != found.get(key, AlarmPhase.NORMAL)
    ]


def wrong_in_trail(yard: Yard, desk: Desk) -> list[str]:
    with closing(sqlite3.connect(f"{yard.ledger.as_uri()}?mode=ro", uri=True)) as connection:
        broken = first_broken(audit_rows(connection))
        whys = [json.loads(row.body)["why"] for row in audit_rows(connection)]
    wrong = [] if broken is None else [f"the chain is broken at {broken}"]
    reasons = [event.reason.text for _, event in events_in(yard.ledger) if event.reason is not None]
    for request in desk.done:
        if whys.count(request["why"]) != 1:
            wrong.append(f"{request} stands {whys.count(request['why'])} times in the trail")
        if request["action"] != "density" and not any(request["why"] in reason for reason in reasons):
            wrong.append(f"{request} has no event")
    return wrong


def told_up_to(yard: Yard, destination: str) -> bool:
    """Whether it has taken all events that are there."""
    with closing(sqlite3.connect(f"{yard.ledger.as_uri()}?mode=ro", uri=True)) as connection:
        query = (
            "SELECT (SELECT position FROM cursors WHERE destination = ?) >= max(position) FROM history WHERE kind = 1"
        )
        (is_so,) = connection.execute(query, (destination,)).fetchone()
    return bool(is_so)
