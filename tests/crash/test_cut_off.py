"""A broker and a database whose cables are pulled out: what is under way is lost without a word to anybody.

In `make test` a proxy plays it, twice; in `make soak` (CABLE=namespace, CUTS) the kernel does, through a network
namespace, many times.
"""

import os
import random
import secrets
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.crash.accounts import account, chain_of
from tests.crash.test_outages import while_it_lasts
from tests.crash.yard import Broker, Yard, all_there, in_database, mqtt, postgresql
from tests.processes.gateway_process import GatewayProcess, eventually
from tests.support.cut_off import Cable, CableOfNamespace, CableOfProxy
from tests.support.postgres import Postgres

CUTS = int(os.environ.get("CUTS", "2"))
CABLES: dict[str, Callable[[int], Cable]] = {"proxy": CableOfProxy, "namespace": CableOfNamespace}
CABLE = CABLES[os.environ.get("CABLE", "proxy")]
LONGER_S = (0.0, 8.0)
"""Than it takes to see that others feel nothing: shorter and longer than the deadlines of 2 s."""

pytestmark = pytest.mark.timeout(240 + 60 * CUTS)


def test_what_is_cut_off_has_everything_once_its_cable_is_back(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED", secrets.randbelow(1_000_000)))
    print(f"CRASH_SEED={seed}")  # noqa: T201 - pytest shows it where the test fails
    chance = random.Random(seed)
    with ExitStack() as stack:
        struck = stack.enter_context(Broker(tmp_path / "struck"))
        well = stack.enter_context(Broker(tmp_path / "well"))
        database = stack.enter_context(Postgres())
        cables = {"broker": CABLE(struck.server.port), "database": CABLE(database.port)}
        for each in cables.values():
            stack.enter_context(each)
        yard = stack.enter_context(Yard(tmp_path))
        yard.write_site(
            {
                "mqtt": [
                    mqtt(struck.server.port, name="broker", address=cables["broker"].address),
                    mqtt(well.server.port, name="well", protocol="5"),
                ],
                "postgresql": postgresql(database, tmp_path, name="database", address=cables["database"].address),
            }
        )
        processes = stack.enter_context(ExitStack())
        running = processes.enter_context(yard.gateway())
        yard.grows(10)
        kills = 0
        for number in range(CUTS):
            # The first two are the broker and the database; from then on it may be both.
            names = list(cables) if number > 1 and chance.random() < 0.4 else [list(cables)[number % 2]]
            for name in names:
                cables[name].cut_off()
            while_it_lasts(yard, running, well, names)
            time.sleep(chance.uniform(*LONGER_S) if number > 1 else 0.0)
            if number % 3 == 1:
                # It ends without a word to a peer that nothing reaches, and begins where nothing answers.
                kills += 1
                processes.close()
                running = processes.enter_context(yard.gateway())
                yard.grows(10)
            for name in names:
                cables[name].mend()
            drained(yard, running, list(cables))
        eventually(all_there(yard, struck.reader.history), "all that is committed is at the broker")
        eventually(all_there(yard, lambda: in_database(database)), "all that is committed is in the database")
        yard.ends(running)
        rows = yard.rows()
        came, rowed, got = struck.reader.history(), in_database(database), well.reader.history()
        breaks = cables["broker"].accepted
    known = {each.key for each in came}
    wrong = account([each for each in rows if each.key in known], came, breaks=breaks + kills)
    wrong += account([each for each in rows if each.key in {one.key for one in got}], got, breaks=kills)
    wrong += chain_of(rows)
    assert not wrong, wrong
    assert len({each.key for each in rowed}) == len(rowed)
    assert {each.key for each in rowed} <= {each.key for each in rows}
    assert len({each.key[1] for each in rows}) == kills + 1
    print(f"{len(rows)} entries, {CUTS} cuts, {kills} kills, {breaks} connections to the broker")  # noqa: T201 - figures


def drained(yard: Yard, running: GatewayProcess, names: Sequence[str]) -> None:
    eventually(lambda: all(yard.waiting(running, name) <= 3 for name in names), "the backlogs drain")
