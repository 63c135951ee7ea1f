"""`kill -9` of the gateway at random instants, and then everything is counted."""

import os
import random
import secrets
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.crash.accounts import Arrived, Kept, account, chain_of, lost_at_kills, same_for_each_identity
from tests.crash.yard import Broker, Yard, all_there, in_database, in_folder, mqtt, postgresql
from tests.processes.gateway_process import eventually
from tests.support.postgres import Postgres

KILLS = int(os.environ.get("CRASH_KILLS", "12"))
"""Hundreds in `make soak`."""
LIVED_S = (0.0, 1.2)
"""From when the process was begun: some die before they have opened anything, some while history flows."""
COMMIT_S = 0.3

pytestmark = pytest.mark.timeout(240 + 20 * KILLS)


def test_nothing_that_is_committed_is_missing_after_kills_at_random(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED", secrets.randbelow(1_000_000)))
    print(f"CRASH_SEED={seed}")  # noqa: T201 - pytest shows it where the test fails
    chance = random.Random(seed)
    folder = tmp_path / "files"
    folder.mkdir()
    with ExitStack() as stack:
        broker = stack.enter_context(Broker(tmp_path / "broker"))
        yard = stack.enter_context(Yard(tmp_path, commit=f"{COMMIT_S} s"))
        database = stack.enter_context(Postgres())
        yard.write_site(
            {
                "mqtt": mqtt(broker.server.port),
                "files": {"folder": str(folder)},
                "postgresql": postgresql(database, tmp_path),
            }
        )
        kills = 0
        while kills < KILLS:
            with yard.gateway() as running:
                if kills % 2 == 0:
                    # However slow the machine is: some die while history flows.
                    yard.grows(3)
                time.sleep(chance.uniform(*LIVED_S))
                assert running.process.poll() is None, yard.logged()[-3:]
            kills += 1
        with yard.gateway() as running:
            yard.grows(3)
            eventually(all_there(yard, broker.reader.history), "all that is committed is at the broker")
            yard.ends(running)
        # What the clean end has committed is for the next start: nothing else may come of that.
        with yard.gateway() as running:
            eventually(all_there(yard, broker.reader.history), "all that is committed is at the broker")
            eventually(all_there(yard, lambda: in_folder(folder)), "all that is committed is in the files")
            eventually(all_there(yard, lambda: in_database(database)), "all that is committed is in the database")
            yard.ends(running)
        rows = yard.rows()
        known = {each.position for each in rows}
        arrived, filed, rowed = broker.reader.history(), in_folder(folder), in_database(database)
        lost = lost_at_kills(rows, broker.reader.last_seen("tanks"))
        live = [message for _, message in broker.reader.live()]
    wrong = account([each for each in rows if each.key in {one.key for one in arrived}], arrived, breaks=kills + 2)
    wrong += account([each for each in rows if each.key in {one.key for one in filed}], filed, breaks=1)
    # Neither a file nor a table has an entry twice: there the breaks cost nothing.
    wrong += [f"{len(each) - len({one.key for one in each})} twice" for each in (filed, rowed) if has_repeats(each)]
    wrong += [f"{each.key} was never committed" for each in rowed if each.key not in {one.key for one in rows}]
    wrong += chain_of(rows)
    wrong += live_is_the_same(live, arrived)
    assert not wrong, wrong
    assert known == set(range(1, len(rows) + 1)), "no position is left out"
    ends_are_told(rows)
    print(f"lost at kills, seconds: {[round(each, 2) for each in lost]}")  # noqa: T201 - a figure, no promise of it


def has_repeats(arrived: list[Arrived]) -> bool:
    return len({each.key for each in arrived}) < len(arrived)


def live_is_the_same(live: list[dict[str, object]], arrived: list[Arrived]) -> list[str]:
    """No identity stands for one thing on one topic and for another on the other."""
    shared = ("identity", "quality", "figures", "elements", "instant", "time")
    both = [*live, *(each.document for each in arrived if each.key[3] < 0)]
    told = []
    for each in both:
        identity = each["identity"]
        assert isinstance(identity, dict)
        key = identity["tank"], identity["boot"], identity["sequence"], -1
        told.append(Arrived(key, {name: each[name] for name in shared if name in each}))
    return same_for_each_identity(told)


def ends_are_told(rows: list[Kept]) -> None:
    """Each start has begun with an event, and each end but the last two is told by the start behind it."""
    kinds = [(each.body["kind"], each.body.get("subject", "")) for each in rows if not each.is_record]
    started = [boot for kind, boot in kinds if kind == "gateway_started"]
    stopped = {boot for kind, boot in kinds if kind == "gateway_stopped"}
    broke_off = [boot for kind, boot in kinds if kind == "gateway_broke_off"]
    assert len(set(started)) == len(started)
    assert len(set(broke_off)) == len(broke_off)
    assert set(broke_off) | stopped >= set(started)
    assert not set(broke_off) & stopped
