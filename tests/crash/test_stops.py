"""A stop with a backlog and a destination that hangs, and what the next start makes of it; what is remembered."""

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.crash.accounts import account, chain_of
from tests.crash.yard import TANKS, Broker, Yard, all_there, mqtt
from tests.processes.gateway_process import eventually

pytestmark = pytest.mark.timeout(240)


def test_a_stop_with_a_backlog_and_a_frozen_broker_ends_in_time_and_the_next_start_drains(tmp_path: Path) -> None:
    """The process ends itself in ten seconds with another status where it cannot end well: 0 is the promise kept."""
    with ExitStack() as stack:
        broker = stack.enter_context(Broker(tmp_path / "broker"))
        yard = stack.enter_context(Yard(tmp_path))
        yard.write_site({"mqtt": mqtt(broker.server.port, timeout="20 s", keepalive="60 s")})
        with yard.gateway() as running:
            yard.grows(6)
            broker.server.freeze()
            before = len(broker.reader.history())
            yard.grows(20)
            yard.ends(running)
        assert len(broker.reader.history()) == before
        rows = yard.rows()
        assert rows[-1].body["kind"] == "gateway_stopped"
        broker.server.thaw()
        with yard.gateway() as running:
            eventually(all_there(yard, broker.reader.history), "the backlog of the process before drains")
            yard.ends(running)
        came = {each.key for each in broker.reader.history()}
        assert {each.key for each in rows} <= came
        known = [each for each in yard.rows() if each.key in came]
        wrong = account(known, broker.reader.history(), breaks=2) + chain_of(yard.rows())
        assert not wrong, wrong
        # A clean end is no break, and no start after it says so.
        assert not [each for each in yard.rows() if each.body.get("kind") == "gateway_broke_off"]


def test_what_was_last_good_is_known_after_a_stop_and_after_a_kill(tmp_path: Path) -> None:
    with ExitStack() as stack:
        yard = stack.enter_context(Yard(tmp_path))
        yard.write_site({})
        with yard.gateway() as running:
            eventually(running.serves, "it answers over HTTP")
            eventually(lambda: len(good(running.inventories())) == TANKS, "all tanks are Good")
            yard.ends(running)
        for each in yard.instruments:
            each.stop()
        told = []
        # The second start finds what the first one, which was killed, had from the one that ended well.
        for _ in range(2):
            with yard.gateway() as running:
                eventually(running.serves, "it answers over HTTP")
                eventually(lambda: len(running.inventories()) == TANKS, "all tanks have a sheet")
                told.append(last_goods(running.inventories()))
        for each in yard.instruments:
            each.start()
    assert len(told[0]) == TANKS
    assert told[0] == told[1]


def good(inventories: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [each for each in inventories if each["figures"]["level"]["quality"] == "Good"]


def last_goods(inventories: list[dict[str, object]]) -> dict[str, object]:
    """What each tank's level was when it was last Good."""
    found = {}
    for each in inventories:
        figures, identity = each["figures"], each["identity"]
        assert isinstance(figures, dict)
        assert isinstance(identity, dict)
        if figures["level"].get("last_good") is not None:
            found[identity["tank"]] = figures["level"]["last_good"]
    return found
