"""Loops of the daemon are begun again whatever ends them: none dies unseen."""

import asyncio
from datetime import UTC, datetime

import pytest
from structlog.testing import capture_logs
from tenacity import wait_none

from gateway import daemon
from gateway.daemon import Daemon
from gateway.resources import config_path
from gateway.settings import load_site
from gateway.web.plan import Readiness

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.mark.parametrize("fault", [None, OSError("no buffer space")])
async def test_a_loop_that_ends_or_fails_is_logged_and_begun_again(
    fault: OSError | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon, "wait_exponential_jitter", lambda **_: wait_none())
    begun = 0
    again = asyncio.Event()

    async def loop() -> None:
        nonlocal begun
        begun += 1
        if begun == 1:
            if fault is not None:
                raise fault
            return
        again.set()
        await asyncio.Event().wait()

    gateway = Daemon(load_site(config_path("one_tank.yaml"), now=NOW))
    with capture_logs() as logs:
        task = asyncio.create_task(gateway._supervised("line north", loop))
        async with asyncio.timeout(5.0):
            await again.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    (entry,) = [each for each in logs if each["event"] == "gateway.task_failed"]
    assert (entry["task"], entry["log_level"]) == ("line north", "error")


async def test_ready_is_what_every_line_and_every_tank_is() -> None:
    """Before anything was read no line is connected and no tank has a sheet: alive, and not ready."""
    gateway = Daemon(load_site(config_path("one_tank.yaml"), now=NOW))
    assert gateway.healthy()
    assert gateway.readiness() == Readiness(False, 1, 0, 1, 0, 0, 0)
