"""The gateway of one site from its start to its stop."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path

from gateway.clock import Clock
from gateway.daemon import Daemon
from gateway.keeping import Open, nothing_kept
from gateway.process.garbage import settled_collector
from gateway.process.service_manager import ServiceManager
from gateway.process.tasks import Loop, end, fault_of
from gateway.settings import SiteSettings

__all__ = ["run"]


async def run(
    settings: SiteSettings,
    *,
    stop: asyncio.Event,
    on_ready: Callable[[Daemon], None] | None = None,
    time_factor: float = 1.0,
    clock: Clock | None = None,
    log_lines_dropped: Callable[[], int] = lambda: 0,
    manager: ServiceManager | None = None,
    beside: Callable[[Daemon], Mapping[str, Loop]] = lambda _: {},
    keep: Open = nothing_kept,
    people: Path | None = None,
) -> None:
    """Run the gateway of one site until `stop` is set, then stop all of it in bounded time.

    `time_factor`: of a simulated site, how many times as fast as the machine's its time passes, 1 to 3600.
    `clock`: in place of the machine's, of a simulated site. `people`: the folder in which it is kept who may come in
    over HTTP; None: nobody can sign in.
    """
    gateway = Daemon(
        settings,
        clock=clock,
        time_factor=time_factor,
        log_lines_dropped=log_lines_dropped,
        manager=manager,
        keep=keep,
        people=people,
    )
    if on_ready is not None:
        on_ready(gateway)
    with settled_collector():
        running = asyncio.create_task(gateway.run(beside(gateway)), name="gateway")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        try:
            ended, _ = await asyncio.wait([running, stopping], return_when=asyncio.FIRST_COMPLETED)
        finally:
            if manager is not None:
                manager.stopping()
            await end([running, stopping])
        if running in ended or not running.cancelled():
            raise fault_of(running)
