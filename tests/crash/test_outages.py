"""A broker that is killed, refuses, is slow, half open, frozen: its history waits, is counted and comes, and nobody
else feels it: another broker has everything meanwhile, live and history, and the instruments are asked as before."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from tests.crash.accounts import account, chain_of
from tests.crash.yard import Broker, Yard, all_there, in_database, mqtt, postgresql
from tests.processes.gateway_process import GatewayProcess, eventually
from tests.support.postgres import Postgres
from tests.support.tcp_proxy import TcpProxy

pytestmark = pytest.mark.timeout(240)


def test_an_outage_of_one_broker_is_its_own_affair(tmp_path: Path) -> None:
    with ExitStack() as stack:
        struck = stack.enter_context(Broker(tmp_path / "struck"))
        well = stack.enter_context(Broker(tmp_path / "well"))
        way = stack.enter_context(TcpProxy(struck.server.port))
        yard = stack.enter_context(Yard(tmp_path))
        yard.write_site(
            {"mqtt": [mqtt(way.port, name="struck", window=5), mqtt(well.server.port, name="well", protocol="5")]}
        )

        def killed() -> None:
            struck.keep()
            struck.server.kill()

        with yard.gateway() as running:
            yard.grows(10)
            outages: list[tuple[Callable[[], None], Callable[[], None]]] = [
                (way.refuse, way.mend),
                (way.hold, way.mend),
                (killed, struck.server.start),
                (struck.server.freeze, struck.server.thaw),
                (lambda: way.slow(0.5), way.mend),
            ]
            for strike, mend in outages:
                strike()
                while_it_lasts(yard, running, well, ["struck"])
                mend()
                eventually(lambda: yard.waiting(running, "struck") <= 3, "the backlog drains")
            eventually(all_there(yard, struck.reader.history), "all that is committed is at the struck broker")
            yard.ends(running)
        rows = yard.rows()
        came = {each.key for each in struck.reader.history()}
        known = [each for each in rows if each.key in came]
        # Each outage ends a connection once or more, and each end brings back what was under way.
        wrong = account(known, struck.reader.history(), breaks=way.accepted)
        got = well.reader.history()
        wrong += account([each for each in rows if each.key in {one.key for one in got}], got, breaks=0)
        wrong += chain_of(rows)
        assert not wrong, wrong
        assert len({each.key[1] for each in rows}) == 1, "one process lived through all of it"


def while_it_lasts(yard: Yard, running: GatewayProcess, other: Broker, struck: Sequence[str]) -> None:
    """The backlog of those that are struck grows; the instruments are asked, and the other broker has it all."""

    def waiting() -> list[float]:
        return [yard.waiting(running, name) for name in struck]

    before = waiting()
    lives = len(other.reader.live())
    eventually(lambda: all(now >= then + 12 for now, then in zip(waiting(), before, strict=True)), "the backlog grows")
    yard.polls_go_on()
    known = yard.rows()
    eventually(
        lambda: {each.key for each in known} <= {each.key for each in other.reader.history()},
        "the other broker has what is committed",
    )
    # Four live records of a tank come for each of history: those are not held up either.
    eventually(lambda: len(other.reader.live()) >= lives + 12, "the other broker has live records")
    assert all(now > then for now, then in zip(waiting(), before, strict=True))
    ages_ms = [
        round(1000 * median(_ages_s(live))) for live in (other.reader.live()[:lives], other.reader.live()[lives:])
    ]
    print(f"median age of live records at the other broker, ms: {ages_ms[0]} before, {ages_ms[1]} meanwhile")  # noqa: T201


def _ages_s(live: list[tuple[float, dict[str, Any]]]) -> list[float]:
    """From the instant of each sheet to when a reader had it: a figure, and no promise of it."""
    return [when - datetime.fromisoformat(message["time"]).timestamp() for when, message in live]


def test_an_outage_of_the_database_is_its_own_affair(tmp_path: Path) -> None:
    with ExitStack() as stack:
        database = stack.enter_context(Postgres())
        well = stack.enter_context(Broker(tmp_path / "well"))
        way = stack.enter_context(TcpProxy(database.port))
        yard = stack.enter_context(Yard(tmp_path))
        struck = postgresql(database, tmp_path, port=way.port, name="struck")
        yard.write_site({"postgresql": struck, "mqtt": mqtt(well.server.port, name="well")})
        with yard.gateway() as running:
            yard.grows(10)
            outages: list[tuple[Callable[[], None], Callable[[], None]]] = [
                (way.hold, way.mend),
                (database.kill, database.start),
                (lambda: way.slow(0.5), way.mend),
            ]
            for strike, mend in outages:
                strike()
                while_it_lasts(yard, running, well, ["struck"])
                mend()
                eventually(lambda: yard.waiting(running, "struck") <= 3, "the backlog drains")
            eventually(all_there(yard, lambda: in_database(database)), "all that is committed is in the database")
            # With a backlog and a database that hangs it ends in time, and the next start brings the rest.
            database.freeze()
            yard.grows(12)
            yard.ends(running)
        database.thaw()
        with yard.gateway() as running:
            eventually(all_there(yard, lambda: in_database(database)), "the next start brings the rest")
            yard.ends(running)
        rows = yard.rows()
        rowed, got = in_database(database), well.reader.history()
        assert len({each.key for each in rowed}) == len(rowed)
        assert {each.key for each in rowed} <= {each.key for each in rows}
        # A clean end and a start behind it repeat nothing at a broker that is well.
        wrong = account([each for each in rows if each.key in {one.key for one in got}], got, breaks=0)
        wrong += chain_of(rows)
        assert not wrong, wrong
