"""The site file changed while a backlog stands: who stays loses nothing, who goes is forgotten, who is new gets all."""

import signal
import sqlite3
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from tests.crash.accounts import account, chain_of
from tests.crash.yard import Broker, Yard, all_there, mqtt
from tests.processes.gateway_process import GatewayProcess, eventually

pytestmark = pytest.mark.timeout(240)


def test_destinations_renamed_removed_and_added_while_a_backlog_stands(tmp_path: Path) -> None:
    """Two brokers, each with its own cursor, one away while the other is up to date."""
    with ExitStack() as stack:
        away = stack.enter_context(Broker(tmp_path / "away"))
        well = stack.enter_context(Broker(tmp_path / "well"))
        yard = stack.enter_context(Yard(tmp_path))
        stays = mqtt(well.server.port, name="stays")
        gone = mqtt(away.server.port, name="gone")
        yard.write_site({"mqtt": [stays, gone]})
        with yard.gateway() as running:
            yard.grows(8)
            away.server.freeze()
            eventually(lambda: yard.waiting(running, "gone") >= 15, "a backlog stands for the one that is away")
            eventually(lambda: yard.waiting(running, "stays") <= 3, "the other is up to date")
            at_least = yard.waiting(running, "gone")

            # Another key of the one that is away: it keeps its name, and what waits for it.
            reload(yard, running, {"mqtt": [stays, {**gone, "window": 7}]})
            assert yard.waiting(running, "gone") >= at_least

            # Another name for the same place: nothing of the old name is kept for anybody.
            reload(yard, running, {"mqtt": [stays, {**gone, "name": "renamed"}]})
            eventually(lambda: cursors(yard) == {"stays", "renamed"}, "the cursor of the old name is forgotten")
            eventually(lambda: yard.waiting(running, "renamed") >= at_least, "who is new is to get all that is kept")

            away.server.thaw()
            eventually(all_there(yard, away.reader.history), "all that is kept comes under the new name")
            reload(yard, running, {"mqtt": [stays]})
            eventually(lambda: cursors(yard) == {"stays"}, "who is gone is forgotten")
            reload(yard, running, {"mqtt": [stays, {**gone, "name": "added", "prefix": "others"}]})
            eventually(
                lambda: {each.key for each in yard.rows()} <= {each.key for each in away.reader.history("others")},
                "who is added gets all that is kept",
            )
            eventually(all_there(yard, well.reader.history), "who stays has all")
            yard.ends(running)
        rows = yard.rows()
        got = well.reader.history()
        there = {each.key for each in got}
        wrong = account([each for each in rows if each.key in there], got, breaks=0)
        others = {each.key for each in away.reader.history("others")}
        known = [each for each in rows if each.key in others]
        wrong += account(known, away.reader.history("others"), breaks=0) + chain_of(rows)
        assert not wrong, wrong
        assert len({each.key[1] for each in rows}) == 1


def reload(yard: Yard, running: GatewayProcess, delivery: dict[str, object]) -> None:
    """Waits until it is watched as the file says now."""
    before = _taken_over(yard)
    yard.write_site(delivery)
    running.process.send_signal(signal.SIGHUP)
    eventually(lambda: _taken_over(yard) > before, "the file is taken over")


def _taken_over(yard: Yard) -> int:
    return sum(each["event"] == "gateway.reloaded" for each in yard.logged())


def cursors(yard: Yard) -> set[str]:
    with closing(sqlite3.connect(f"{yard.ledger.as_uri()}?mode=ro", uri=True, timeout=20.0)) as connection:
        return {name for (name,) in connection.execute("SELECT destination FROM cursors")}
