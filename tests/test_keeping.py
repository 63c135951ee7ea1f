"""What a gateway keeps: records that can be calculated again from the file alone, memory, starts and ends."""

import asyncio
import os
import tempfile
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway.calculation.remembered import calculated_again, is_a_sheet
from gateway.clock import SystemClock
from gateway.daemon import Daemon
from gateway.delivery.own_metrics import own_metrics
from gateway.going_on import MEMORY_RESTORED
from gateway.keeping import LITTLE_ROOM, NOTHING_KEPT, Keeping, kept_in
from gateway.kept_memory import Kept
from gateway.ledger import room
from gateway.ledger.codec import unpacked
from gateway.ledger.plan import LedgerPlan
from gateway.pipeline import Pipeline
from gateway.plan_body import plan_from
from gateway.process.memory_file import MEMORY_NOT_KEPT
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from gateway.tank_record import EventKind, TankRecord
from tests.site_fuzz.through_gateway import load, readings_of, taken
from tests.support.ledger_store import Moment, events_in, level_record, records_in, rows_in
from tests.support.records import snapshot
from tests.test_tank_record import assert_alike

BOOT = "b" * 32
PATIENCE_S = 20.0


@pytest.mark.parametrize("seed", range(3_000_000, 3_000_080, 20))
def test_a_record_is_calculated_again_from_the_ledger_alone(seed: int, tmp_path: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        site, _ = taken(seed, Path(folder))
        setups = load(site, Path(folder))
    keeping = kept_in(tmp_path, "site", LedgerPlan(every_s=1.0))(BOOT, SystemClock())
    offered: list[TankRecord] = []
    for seen in site.tanks:
        setup = setups[seen.tank.tag]
        for moment in seen.moments:
            utc_ns, steady_ns, latest = readings_of(setup, moment.shown)
            records: list[TankRecord] = []
            pipeline = Pipeline(
                "site", BOOT, [(setup.plan, setup.binding, 2.0)], records.append, Moment(utc_ns, steady_ns)
            )
            pipeline._tanks[0].sequence = len(offered)
            pipeline._latest.update(latest)
            pipeline._calculate(pipeline._tanks[0])
            keeping.offer(records[0], pipeline.plan_text)
            offered += records
    asyncio.run(keeping.close(None))

    file = tmp_path / "site.ledger"
    texts = {plan_id: unpacked(body) for plan_id, _, body in rows_in(file, "SELECT id, first_ns, body FROM plans")}
    kept = records_in(file)
    assert kept
    for record in kept:
        assert record in [each._replace(identity=each.identity._replace(site=record.identity.site)) for each in offered]
        assert is_a_sheet(record.inventory)
        assert_alike(calculated_again(plan_from(record.plan, texts[record.plan]), record), record.inventory)


def quiet_site() -> SiteSettings:
    """Of one tank, whose instruments answer nobody."""
    return replace(load_site(config_path("one_tank.yaml")), deliveries=(), http=None)


async def live(site: SiteSettings, folder: Path | None) -> None:
    """From a start to a clean end, with one sheet at least."""
    gateway = Daemon(site, keep=kept_in(folder, site.name, site.ledger))
    running = asyncio.create_task(gateway.run())
    async with asyncio.timeout(PATIENCE_S):
        while not gateway.snapshot().inventories:  # noqa: ASYNC110 - a record raises no event
            await asyncio.sleep(0.02)
    running.cancel()
    await asyncio.wait([running])


async def test_starts_ends_last_words_and_memory_outlive_the_process(tmp_path: Path) -> None:
    site = quiet_site()
    await live(site, tmp_path)
    with capture_logs() as logs:
        await live(site, tmp_path)
    assert [each["tanks"] for each in logs if each["event"] == MEMORY_RESTORED] == [1]
    file = tmp_path / f"{site.name}.ledger"
    kinds = [event.kind for _, event in events_in(file)]
    assert kinds == [EventKind.GATEWAY_STARTED, EventKind.GATEWAY_STOPPED] * 2
    codes = [record.inventory.figures.level.reasons[0].code.value for record in records_in(file)]
    assert codes[-1] == "not_watched"
    assert len({record.identity for record in records_in(file)}) == len(codes) >= 4
    assert not (tmp_path / f"{site.name}.memory.json.gz").exists(), "memory stands in the ledger"


async def test_without_a_ledger_in_the_site_file_nothing_but_memory_is_kept(tmp_path: Path) -> None:
    await live(replace(quiet_site(), ledger=None), tmp_path)
    assert os.listdir(tmp_path) == ["my-site.memory.json.gz"]


async def test_without_a_state_directory_it_says_that_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    with capture_logs() as logs:
        await live(quiet_site(), None)
    told = [(each["trouble"], each["log_level"]) for each in logs if each["event"] == NOTHING_KEPT]
    assert told == [("there is no state directory", "warning")]


async def test_without_a_ledger_and_a_state_directory_it_says_that_memory_is_not_kept() -> None:
    with capture_logs() as logs:
        await live(replace(quiet_site(), ledger=None), None)
    told = [(each["trouble"], each["log_level"]) for each in logs if each["event"] == MEMORY_NOT_KEPT]
    assert told == [("there is no state directory", "info")]


async def test_a_ledger_that_cannot_be_used_stops_nobody_from_watching(tmp_path: Path) -> None:
    site = quiet_site()
    await live(site, tmp_path)
    other = replace(site, name="another", ledger=LedgerPlan(file=tmp_path / f"{site.name}.ledger"))
    with capture_logs() as logs:
        await live(other, tmp_path)
    (told,) = [each for each in logs if each["event"] == NOTHING_KEPT]
    assert (told["log_level"], site.name in told["trouble"]) == ("error", True)


def kept(tmp_path: Path, plan: LedgerPlan | None, boot: str) -> Keeping:
    return kept_in(tmp_path, "north", plan)(boot, SystemClock())


def one_life(tmp_path: Path, plan: LedgerPlan | None, boot: str, memory: Kept) -> Kept | None:
    """What a gateway finds at its start, before it ends with that memory."""
    keeping = kept(tmp_path, plan, boot)
    found = keeping.read_memory()
    asyncio.run(keeping.close(keeping.keep(memory)))
    return found


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize("second", [True, False])
def test_of_two_memories_the_newest_is_gone_on_with(tmp_path: Path, first: bool, second: bool) -> None:
    """A site file that has a ledger, or `enabled: no`, one time after the other: then what was known last counts."""
    found = None
    for number, has_ledger in enumerate((first, second, True)):
        memory = Kept(1_800_000_000_000_000_000 + number * 10**9, number, {})
        found = one_life(tmp_path, LedgerPlan() if has_ledger else None, f"{number:032x}", memory)
    assert found is not None
    assert found.steady_ns == 1


def test_a_plan_that_could_not_be_had_once_is_kept_the_next_time(tmp_path: Path) -> None:
    """The last word of a tank that was taken out of the site file; then it stands there again, by the same plan."""
    record = level_record("TK-1", BOOT, 1, 0.0)
    keeping = kept(tmp_path, LedgerPlan(), BOOT)
    keeping.offer(record, lambda tank: None)
    keeping.offer(record, lambda tank: lambda: b"the plan")
    asyncio.run(keeping.close(None))
    plans = [(plan, unpacked(body)) for plan, body in rows_in(tmp_path / "north.ledger", "SELECT id, body FROM plans")]
    assert plans == [(record.plan, b"the plan")]


async def test_a_stop_commits_at_once_though_a_commit_is_a_minute_away_and_look_ups_of_names_hang(
    tmp_path: Path,
) -> None:
    """What hangs has all threads of the loop's own, as many as it ever makes."""
    released = threading.Event()
    loop = asyncio.get_running_loop()
    hanging = [loop.run_in_executor(None, released.wait) for _ in range(64)]
    site = replace(quiet_site(), ledger=LedgerPlan(commit_s=60.0))
    try:
        with capture_logs() as logs:
            await live(site, tmp_path)
    finally:
        released.set()
        await asyncio.wait(hanging)
    assert [each for each in logs if each["event"] == MEMORY_NOT_KEPT] == []
    file = tmp_path / f"{site.name}.ledger"
    assert rows_in(file, "SELECT is_clean, lost FROM boots") == [(1, 0)]
    assert rows_in(file, "SELECT name FROM memory") == [("calculation",)]
    assert records_in(file)[-1].inventory.figures.level.reasons[0].code.value == "not_watched"


def exposed(keeping: Keeping) -> list[str]:
    """What Prometheus reads of the ledger, as a text of its own library's making."""
    told = snapshot()._replace(ledger=keeping.status())
    families = text_string_to_metric_families("".join(own_metrics(told)))
    return [
        f"{each.name} {each.labels.get('kind', '')} {each.value:g}"
        for family in families
        if family.name.startswith("tank_gateway_ledger_trouble")
        for each in family.samples
    ]


def test_a_ledger_that_there_should_be_and_is_not_is_a_trouble_for_whoever_looks_from_outside(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    folder = kept_in(tmp_path, "north", LedgerPlan(file=tmp_path / "folder"))(BOOT, SystemClock())
    nowhere = kept_in(None, "north", LedgerPlan())(BOOT, SystemClock())
    unwanted = kept_in(None, "north", None)(BOOT, SystemClock())
    assert exposed(folder) == ["tank_gateway_ledger_trouble file_refused 1"]
    assert exposed(nowhere) == ["tank_gateway_ledger_trouble no_place 1"]
    assert exposed(unwanted) == []
    status = folder.status()
    assert status is not None
    assert status.trouble is not None
    assert status.trouble.text == f"{tmp_path}/folder: is a folder: no history is kept, nor delivered"


def test_a_start_says_what_there_will_be_no_room_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """200 tanks each second for an hour are 720,000 records of 700 B, 504 MB; the disk has room for 20 MB less than
    `largest`, whatever the file takes, which is less than 10 MB."""
    monkeypatch.setattr(room, "free_bytes", lambda folder: 380_000_000)
    plan = LedgerPlan(every_s=1.0, keep_s=3600.0, largest_bytes=400_000_000)
    with capture_logs() as logs:
        keeping = kept_in(tmp_path, "north", plan, 200)(BOOT, SystemClock())
    asyncio.run(keeping.close(None))
    told = [each["trouble"] for each in logs if each["event"] == LITTLE_ROOM]
    assert [each.split(",")[0] for each in told] == [
        "`keep` of 1 h for 200 tanks every 1 s are 720",
        "`largest` is 400 MB",
    ]
