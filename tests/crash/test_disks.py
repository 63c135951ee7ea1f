"""What a disk does to the ledger: it fills, is read-only, goes, is damaged, is an older or a newer one. The tanks are
watched all the same, and what that has cost is counted and said."""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import pytest

from tests.crash.accounts import Kept, chain_of, same_for_each_identity
from tests.crash.small_disk import small_disk
from tests.crash.yard import Broker, Yard, all_there, in_folder, mqtt
from tests.processes.gateway_process import GatewayProcess, eventually

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as made:
        yield made


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    with Yard(tmp_path) as made:
        yield made


def live_goes_on(yard: Yard, broker: Broker) -> None:
    before = len(broker.reader.live())
    eventually(lambda: len(broker.reader.live()) >= before + 12, "live records come")
    yard.polls_go_on()


def troubles(running: GatewayProcess) -> list[str]:
    lines = running.get("/metrics").decode().splitlines()
    return [line for line in lines if line.startswith("tank_gateway_ledger_trouble{")]


def kinds(rows: list[Kept]) -> list[str]:
    return [each.body["kind"] for each in rows if not each.is_record]


def test_a_disk_that_fills_costs_what_is_counted_and_history_goes_on(yard: Yard, broker: Broker) -> None:
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(yard.kept, 30))
        yard.write_site({"mqtt": mqtt(broker.server.port, name="office")})
        with yard.gateway() as running:
            yard.grows(6)
            broker.server.freeze()
            yard.grows(12)
            kept = yard.rows()
            disk.fill(running.process.pid)
            # Room that the file has of its own is used; what a destination needs does not go as long as there is some.
            yard.grows(60)
            assert {each.key for each in kept} <= {each.key for each in yard.rows()}
            broker.server.thaw()
            live_goes_on(yard, broker)
            disk.make_room(running.process.pid)
            yard.grows(6)
            eventually(all_there(yard, broker.reader.history), "all that is committed comes")
            yard.ends(running)
        assert not chain_of(yard.rows())


def test_a_disk_that_is_full_at_the_start_keeps_history_waiting(yard: Yard, broker: Broker) -> None:
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(yard.kept, 30))
        yard.write_site({"mqtt": mqtt(broker.server.port)})
        disk.fill(os.getpid()) if os.geteuid() == 0 else disk.make_read_only()
        with yard.gateway() as running:
            eventually(running.serves, "it answers over HTTP")
            live_goes_on(yard, broker)
            eventually(lambda: troubles(running), "the trouble is told")
            assert running.metric("tank_gateway_ledger_waiting") > 0
            disk.make_room() if os.geteuid() == 0 else disk.make_writable()
            yard.grows(20)
            eventually(lambda: not troubles(running), "no trouble is left")
            eventually(all_there(yard, broker.reader.history), "all that is committed comes")
            assert running.metric("tank_gateway_ledger_lost_total") == 0
            yard.ends(running)
        rows = yard.rows()
        assert kinds(rows)[0] == "gateway_started"
        assert not chain_of(rows)


def test_a_disk_that_is_read_only_at_the_start_keeps_history_waiting(yard: Yard, broker: Broker) -> None:
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(yard.kept, 30))
        yard.write_site({"mqtt": mqtt(broker.server.port)})
        with yard.gateway() as running:
            yard.grows(6)
            yard.ends(running)
        disk.make_read_only()
        with yard.gateway() as running:
            eventually(running.serves, "it answers over HTTP")
            live_goes_on(yard, broker)
            eventually(lambda: troubles(running), "the trouble is told")
            disk.make_writable()
            yard.grows(12)
            eventually(all_there(yard, broker.reader.history), "all that is committed comes")
            yard.ends(running)
        rows = yard.rows()
        assert "gateway_broke_off" not in kinds(rows)
        assert not chain_of(rows)


def test_a_ledger_that_somebody_removes_is_begun_anew_and_that_is_told(yard: Yard, broker: Broker) -> None:
    yard.write_site({"mqtt": mqtt(broker.server.port)})
    with yard.gateway() as running:
        yard.grows(6)
        shutil.rmtree(yard.kept)
        live_goes_on(yard, broker)
        eventually(lambda: troubles(running), "the trouble is told")
        yard.kept.mkdir()
        yard.grows(12)
        eventually(lambda: not troubles(running), "no trouble is left")
        eventually(all_there(yard, broker.reader.history), "all that is committed comes")
        yard.ends(running)
    rows = yard.rows()
    assert "history_lost" in kinds(rows)
    assert len({each.position for each in rows}) == len(rows)


def test_a_file_that_was_damaged_between_two_starts_is_set_aside(yard: Yard, broker: Broker, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    yard.write_site({"mqtt": mqtt(broker.server.port), "files": {"folder": str(folder)}})
    with yard.gateway() as running:
        yard.grows(20)
        yard.ends(running)
    damaged = yard.rows()
    with yard.ledger.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(40 * 4096))
    with yard.gateway() as running:
        yard.grows(20)
        eventually(all_there(yard, broker.reader.history), "all of the new file comes to the broker")
        eventually(all_there(yard, lambda: in_folder(folder)), "all of the new file comes into the files")
        yard.ends(running)
    rows = yard.rows()
    assert kinds(rows)[0] == "history_lost"
    assert len(list(yard.kept.glob("*.damaged-*"))) >= 1
    assert not {each.key for each in rows} & {each.key for each in damaged}


def test_an_older_copy_of_the_ledger_repeats_and_loses_nothing(yard: Yard, broker: Broker, tmp_path: Path) -> None:
    """Positions are used again for other entries: who knows entries by their identity is not misled."""
    folder = tmp_path / "files"
    folder.mkdir()
    copy = tmp_path / "copy"
    yard.write_site({"mqtt": mqtt(broker.server.port), "files": {"folder": str(folder)}})
    for _ in range(2):
        with yard.gateway() as running:
            yard.grows(12)
            eventually(all_there(yard, broker.reader.history), "all that is committed comes to the broker")
            yard.ends(running)
        if not copy.exists():
            shutil.copytree(yard.kept, copy)
    shutil.rmtree(yard.kept)
    shutil.copytree(copy, yard.kept)
    older = {each.key for each in yard.rows()}
    with yard.gateway() as running:
        yard.grows(30)
        eventually(all_there(yard, broker.reader.history), "all that is committed comes to the broker")
        eventually(all_there(yard, lambda: in_folder(folder)), "all that is committed comes into the files")
        yard.ends(running)
    rows = yard.rows()
    assert older < {each.key for each in rows}
    assert not same_for_each_identity(broker.reader.history())
    filed = in_folder(folder)
    assert len({each.key for each in filed}) == len(filed)
    assert not chain_of(rows)


def test_a_file_of_a_newer_version_is_left_alone_and_the_tanks_are_watched(yard: Yard, broker: Broker) -> None:
    yard.write_site({"mqtt": mqtt(broker.server.port)})
    with yard.gateway() as running:
        yard.grows(6)
        yard.ends(running)
    with closing(sqlite3.connect(yard.ledger)) as connection:
        connection.execute("PRAGMA user_version = 99")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = yard.ledger.read_bytes()
    with yard.gateway() as running:
        eventually(running.serves, "it answers over HTTP")
        live_goes_on(yard, broker)
        told: list[dict[str, Any]] = [each for each in yard.logged() if each["event"] == "ledger.not_kept"]
        assert "newer version" in told[0]["trouble"]
        yard.ends(running)
    assert yard.ledger.read_bytes() == before
