"""The live view of a whole gateway: what it reads is seen, and what changes in it is told."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from gateway.clock import SystemClock
from gateway.daemon import Daemon
from gateway.records import Quality, Reading
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from gateway.web.plan import HttpPlan
from tests.support.live_view import Viewer, shown
from tests.support.messages import valid_message

_PATIENCE_S = 30.0


@pytest.fixture
def site() -> SiteSettings:
    """One tank; what its instruments say is said by the test."""
    settings = load_site(config_path("one_tank.yaml"), now=datetime(2026, 11, 25, 12, tzinfo=UTC))
    return replace(settings, sources=(), deliveries=(), http=HttpPlan("127.0.0.1", 0))


@asynccontextmanager
async def _running(settings: SiteSettings, **given: Any) -> AsyncIterator[Daemon]:
    gateway = Daemon(settings, **given)
    task = asyncio.create_task(gateway.run())
    try:
        async with asyncio.timeout(_PATIENCE_S):
            while gateway.http_port is None:  # noqa: ASYNC110 (bound in a thread)
                await asyncio.sleep(0.005)
        yield gateway
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            async with asyncio.timeout(_PATIENCE_S):
                await task


def _read(gateway: Daemon, ullage_m: float, temperature_c: float = 15.0) -> None:
    """Every instrument is read now."""
    clock = SystemClock()

    def reading(instrument: str, signal: str, value: float) -> Reading:
        return Reading(instrument, signal, value, Quality.GOOD, None, clock.utc_ns(), clock.monotonic_ns(), ())

    gateway._pipeline.take([reading("TT-1", signal, temperature_c) for signal in ("t1", "t2", "t3")])
    gateway._pipeline.take([reading("LT-1", "ullage", ullage_m), reading("LT-1", "fault", 0.0)])


async def _asked(gateway: Daemon, path: str) -> dict[str, Any]:
    async with httpx.AsyncClient(timeout=_PATIENCE_S) as client:
        answer = await client.get(f"http://127.0.0.1:{gateway.http_port}{path}")
    assert answer.status_code == 200
    return valid_message(answer.content)


async def test_what_is_read_is_seen(site: SiteSettings) -> None:
    """15.240 m of reference height less 5.828 m of ullage is 9.412 m."""
    async with _running(site) as gateway:
        first = await _asked(gateway, "/api/1/view")
        assert first["tanks"] == {}
        viewer = await Viewer.at(gateway.http_port or 0)
        assert (await viewer.next()).kind == "view"
        _read(gateway, 5.828)
        while "TK-1" not in viewer.document["tanks"]:
            await viewer.next()
        row = viewer.document["tanks"]["TK-1"]
        assert row["level"]["v"] == pytest.approx(9.412, abs=1e-9)
        assert (row["quality"], row["limit_state"], row["product"]) == ("Good", "normal", "diesel")
        assert [each["figure"] for each in viewer.document["totals"]] == ["gsv", "mass", "mass"]
        assert shown(viewer.document) == shown(await _asked(gateway, "/api/1/view"))
        assert viewer.document["next_day_close"] > viewer.document["time"]
        viewer.close()


async def test_without_accounts_nobody_knows_whether_a_transfer_is_open(site: SiteSettings) -> None:
    """There is no ledger, or it is not read yet: that is not the same as none."""
    async with _running(site) as gateway:
        assert (await _asked(gateway, "/api/1/view"))["transfers"] is None


async def test_what_is_fixed_is_told_with_its_boot(site: SiteSettings) -> None:
    async with _running(site) as gateway:
        told, view = await _asked(gateway, "/api/1/site"), await _asked(gateway, "/api/1/view")
        assert told["boot"] == view["feed"].partition(":")[0]
        assert list(told["tanks"]) == ["TK-1"]
    async with _running(site) as again:
        assert (await _asked(again, "/api/1/site"))["boot"] != told["boot"]


async def test_a_reload_is_told_and_another_page_of_the_web_goes_on(site: SiteSettings) -> None:
    async with _running(site) as gateway:
        _read(gateway, 5.828)
        viewer = await Viewer.at(gateway.http_port or 0)
        await viewer.until("view")
        (tank,) = site.tanks
        await gateway.take_over(replace(site, tanks=(replace(tank, description="another word"),)))
        assert [(await viewer.next()).kind for _ in range(2)] == ["site", "view"]
        told = await _asked(gateway, "/api/1/site")
        assert told["tanks"]["TK-1"]["description"] == "another word"
        viewer.close()


async def test_a_reload_of_the_same_is_no_news(site: SiteSettings) -> None:
    async with _running(site) as gateway:
        _read(gateway, 5.828)
        viewer = await Viewer.at(gateway.http_port or 0)
        await viewer.until("view")
        tanks = tuple(replace(tank, plan=replace(tank.plan)) for tank in site.tanks)
        assert tanks[0].plan is not site.tanks[0].plan
        await gateway.take_over(replace(site, tanks=tanks))
        _read(gateway, 5.9)
        await viewer.until_shows("TK-1", _level(gateway))
        assert "site" not in [event.kind for event in viewer.seen]
        viewer.close()


async def test_another_server_goes_on_where_the_one_before_ended(site: SiteSettings) -> None:
    async with _running(site) as gateway:
        _read(gateway, 5.828)
        viewer = await Viewer.at(gateway.http_port or 0)
        await viewer.until("view")
        await gateway.take_over(replace(site, http=HttpPlan("127.0.0.1", 0, names=("tanks.example",))))
        with pytest.raises(asyncio.IncompleteReadError):
            await viewer.until("never")
        viewer.close()
        async with asyncio.timeout(_PATIENCE_S):
            while gateway.http_port is None:  # noqa: ASYNC110 (bound in a thread)
                await asyncio.sleep(0.005)
        again = await Viewer.at(gateway.http_port, viewer.last_id)
        await again.until("view")
        assert again.level("TK-1") == _level(gateway)
        again.close()


async def test_a_stop_ends_it_with_the_gateway(site: SiteSettings) -> None:
    async with _running(site) as gateway:
        viewer = await Viewer.at(gateway.http_port or 0)
        await viewer.until("view")
    with pytest.raises(asyncio.IncompleteReadError):
        await viewer.until("never")
    viewer.close()


async def test_a_simulated_site_tells_both_times(site: SiteSettings) -> None:
    """A thousand times as fast: by the clock of the site much has passed, by that of the machine it is now."""
    async with _running(replace(site, simulated=True), time_factor=1000.0) as gateway:
        await asyncio.sleep(0.05)
        view = await _asked(gateway, "/api/1/view")
        assert (await _asked(gateway, "/api/1/site"))["time_factor"] == 1000.0
    times = [datetime.fromisoformat(view[name]) for name in ("time", "machine_time")]
    assert (times[0] - times[1]).total_seconds() > 40.0
    assert abs((times[1] - datetime.now(UTC)).total_seconds()) < _PATIENCE_S


async def test_a_viewer_costs_a_sheet_nothing(site: SiteSettings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of the view is made where a sheet is taken: not a row, not a byte."""

    def fails(*_: Any, **__: Any) -> Any:
        raise AssertionError("made while a sheet is taken")

    async with _running(site) as gateway:
        viewer = await Viewer.at(gateway.http_port or 0)
        await viewer.until("view")
        with monkeypatch.context() as forbidden:
            forbidden.setattr("gateway.web.stream.document.row_document", fails)
            forbidden.setattr("gateway.web.stream.document.orjson.dumps", fails)
            for step in range(100):
                _read(gateway, 5.828 + step / 1000.0)
        await viewer.until_shows("TK-1", _level(gateway))
        viewer.close()


def _level(gateway: Daemon) -> float:
    (record,) = gateway._pipeline.records()
    value = record.inventory.figures.level.value
    assert value is not None
    return value
