"""`kill -9` at random instants while transfers go on and days are closed: no ticket is lost or doubled, no number is
given twice, and nothing was acknowledged that is not in the file.

Requests come by the socket of the gateway; the file is read without a gateway; what has arrived is what mosquitto_sub
wrote down.
"""

import asyncio
import hashlib
import json
import os
import random
import secrets
import sqlite3
import time
from collections import Counter
from collections.abc import Mapping
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson
import pytest

from gateway.account.paper import PaperKind
from gateway.ledger.account_papers import StoredPaper, papers_between, read_known
from gateway.ledger.audit import audit_rows, first_broken
from gateway.ledger.reading_file import opened
from gateway.tank_record import EventKind
from tests.account.test_accounting import receipt
from tests.crash.test_acts import Desk, running
from tests.crash.yard import Broker, Yard, all_there, mqtt
from tests.processes.gateway_process import eventually
from tests.support.account_desk import Desk as Table
from tests.support.ledger_store import events_in
from tests.support.messages import valid_message

KILLS = int(os.environ.get("ACCOUNT_KILLS", "5"))
LIVED_S = (1.0, 4.0)
TANKS = 4
_DEEDS: Mapping[str, tuple[str, ...]] = {
    "proposed": ("cancel", "start"),
    "planned": ("start", "cancel"),
    "running": ("pause", "finish", "close", "change"),
    "paused": ("resume", "close"),
    "settling": ("close", "resume"),
}
_CLOSED = {"ticket", "amount", "day"}

pytestmark = pytest.mark.timeout(240 + 20 * KILLS)


class Clerk(Desk):
    """Plans, starts, closes and takes back; enters amounts and closes days."""

    def act(self) -> None:
        request = self._request() | {"why": secrets.token_hex(8)}
        answer = self.ask(**request)
        if answer["code"] == 0:
            self.done.append(request)
        else:
            assert answer["code"] == 1, (request, answer)

    def _request(self) -> dict[str, str]:
        chance = self._chance
        transfers = self.ask(action="list")["transfers"]
        what = chance.random()
        if transfers and what < 0.5:
            transfer = chance.choice(transfers)
            deed = chance.choice(_DEEDS[transfer["phase"]])
            request = {"action": f"{deed}-transfer", "transfer": str(transfer["number"])}
            return request | ({"partner": f"MT {secrets.token_hex(3)}"} if deed == "change" else {})
        tank = f"TK-{chance.randrange(TANKS)}"
        if what < 0.7:
            kind, side = chance.choice([("receipt", "target"), ("dispatch", "source"), ("circulation", "source")])
            return {"action": chance.choice(["plan-transfer", "start-transfer"]), "kind": kind, side: tank}
        if what < 0.8:
            return {"action": "reverse-ticket", "ticket": str(chance.randrange(1, 12)), "partner": "MT Anew"}
        if what < 0.95:
            at = datetime.now(UTC) - timedelta(hours=chance.choice([1, 26, 30]))
            given = {"kind": "receipt", "source": "ship", "product": self.product, "measure": "gsv", "tank": tank}
            return {"action": "amount", **given, "amount": f"{chance.randrange(1, 99)} m3", "at": at.isoformat()}
        return {"action": "close-day"}

    product = "diesel"


def test_no_ticket_is_lost_or_doubled_by_kills_at_random(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED", secrets.randbelow(1_000_000)))
    print(f"CRASH_SEED={seed}")  # noqa: T201 - pytest shows it where the test fails
    chance = random.Random(seed)
    yard, clerk = Yard(tmp_path), Clerk(tmp_path, chance)
    with Broker(tmp_path / "broker") as broker:
        for each in yard.instruments:
            each.start()
        clerk.product = write_site(yard, broker.server.port)
        before: dict[str, str] = {}
        for _ in range(KILLS):
            with running(yard, clerk) as process:
                yard.grows(1)
                until_s = time.monotonic() + chance.uniform(*LIVED_S)
                while time.monotonic() < until_s:
                    chance.choice(yard.instruments).value += chance.randrange(-3, 4)
                    with suppress(OSError):
                        clerk.act()
                    time.sleep(chance.uniform(0.0, 0.1))
                assert process.process.poll() is None, yard.logged()[-3:]
            before = digests(yard.ledger, before)
            assert not wrong_in(yard.ledger, clerk)
        with running(yard, clerk) as process:
            eventually(all_there(yard, broker.reader.history), "all that is committed is at the broker")
            eventually(process.serves, "the pages are served")
            pages = [
                valid_message(process.get(path)) for path in ("/transfers?all=yes", "/stock", "/days", "/inventories")
            ]
            tickets = valid_message(process.get("/tickets?from=2020-01-01"))["tickets"]
            arrived = broker.reader.history()
        for each in yard.instruments:
            each.stop()
    wrong = wrong_in(yard.ledger, clerk)
    told_there = {f"ticket {each['number']}" for each in tickets}
    wrong += [f"{key} is not at /tickets" for key in before if key.startswith("ticket") and key not in told_there]
    assert len(pages) == 4
    told = {each.document["document"]["key"] for each in arrived if each.document.get("document") is not None}
    for key in before:
        if key not in told:
            wrong.append(f"{key} has not arrived")
    assert not wrong, wrong
    assert any(request["action"] == "close-transfer" for request in clerk.done), "no ticket was made: nothing was tried"


def write_site(yard: Yard, broker_port: int) -> str:
    """Days are closed by themselves soon; transfers settle at once. The product of the tanks."""
    yard.write_site({"mqtt": mqtt(broker_port)})
    text, _, web = yard.site.read_text("utf-8").rpartition(", web:")
    site = json.loads(text + "}")
    site["tanks"] = {tag: site["tanks"][tag] for tag in [f"TK-{n}" for n in range(TANKS)]}
    site["account"] = {"settling": "1 s", "close_after": "0 s"}
    yard.site.write_text(json.dumps(site, indent=1).removesuffix("}") + ", web:" + web, "utf-8")
    return str(next(iter(site["tanks"].values()))["product"])


def stored(file: Path) -> list[StoredPaper]:
    with opened(file) as connection:
        found = [paper for kind in PaperKind for paper in papers_between(connection, kind, -(1 << 62), 1 << 62)]
    assert all(isinstance(paper, StoredPaper) for paper in found)
    return [paper for paper in found if isinstance(paper, StoredPaper)]


def digests(file: Path, before: Mapping[str, str]) -> dict[str, str]:
    """Of all that never changes; what was there before is there as it was."""
    found = {
        paper.key: hashlib.sha256(orjson.dumps(paper.document)).hexdigest()
        for paper in stored(file)
        if paper.kind.value in _CLOSED
    }
    assert {key: found.get(key) for key in before} == dict(before)
    return found


def wrong_in(file: Path, clerk: Clerk) -> list[str]:
    """Of the file as a kill has left it."""
    papers = stored(file)
    wrong = []
    for kind in ("ticket", "amount"):
        numbers = [paper.document["number"] for paper in papers if paper.kind.value == kind]
        if sorted(numbers) != list(range(1, len(numbers) + 1)):
            wrong.append(f"numbers of {kind}s: {sorted(numbers)}")
    with opened(file) as connection:
        known = read_known(connection)
    newest = {paper.document["number"]: paper for paper in sorted(_transfers(papers), key=lambda paper: paper.number)}
    open_now = {n for n, paper in newest.items() if paper.document["phase"] not in ("closed", "cancelled")}
    if set(known.transfers) != open_now:
        wrong.append(f"open are {sorted(open_now)}, and the file says {sorted(known.transfers)}")
    by_transfer = Counter(
        paper.document["transfer"]
        for paper in papers
        if paper.kind is PaperKind.TICKET and "reverses" not in paper.document and "replaces" not in paper.document
    )
    closed = {number for number, paper in newest.items() if paper.document["phase"] == "closed"}
    if by_transfer != Counter(closed):
        wrong.append(f"closed are {sorted(closed)}, and tickets are of {sorted(by_transfer.elements())}")
    events = [event for _, event in events_in(file)]
    made = Counter(
        event.subject for event in events if event.kind in (EventKind.TICKET_MADE, EventKind.TICKET_REVERSED)
    )
    wrong += [
        f"{paper.key} has {made[paper.key]} events"
        for paper in papers
        if paper.kind is PaperKind.TICKET and made[paper.key] != 1
    ]
    return [*wrong, *_wrong_in_trail(file, papers, clerk)]


def _transfers(papers: list[StoredPaper]) -> list[StoredPaper]:
    return [paper for paper in papers if paper.kind is PaperKind.TRANSFER]


def _wrong_in_trail(file: Path, papers: list[StoredPaper], clerk: Clerk) -> list[str]:
    """What was answered well stands there once; every paper stands there with its digest."""
    with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)) as connection:
        rows = list(audit_rows(connection))
    broken = first_broken(rows)
    wrong = [] if broken is None else [f"the chain is broken at {broken}"]
    bodies = [json.loads(row.body) for row in rows]
    whys = Counter(body["why"] for body in bodies)
    wrong += [
        f"{request} stands {whys[request['why']]} times there" for request in clerk.done if whys[request["why"]] != 1
    ]
    told = Counter((each["key"], each["sha256"]) for body in bodies for each in body["after"] or () if "sha256" in each)
    for paper in papers:
        key = paper.key, hashlib.sha256(orjson.dumps(paper.document)).hexdigest()
        if not told[key]:
            wrong.append(f"{paper.key} in row {paper.number} is not in the trail")
    return wrong


def test_what_is_wrong_is_found(tmp_path: Path) -> None:
    """The account of the test itself: a ticket less, and one more, show."""

    async def made() -> Path:
        table = Table(tmp_path)
        await table.begin()
        await receipt(table)
        await table.passes(2400.0)
        await table.keeping.close(None)
        return table.file

    file = asyncio.run(made())
    (tmp_path / "clerk").mkdir()
    clerk = Clerk(tmp_path / "clerk", random.Random(1))
    assert not wrong_in(file, clerk)
    clerk.done.append({"why": "never kept"})
    assert any("never kept" in text for text in wrong_in(file, clerk))
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("DROP TRIGGER papers_are_not_deleted")
        connection.execute("DELETE FROM papers WHERE kind = 'ticket'")
        connection.commit()
    assert any("tickets are of" in text for text in wrong_in(file, clerk))
