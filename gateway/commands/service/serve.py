"""The event loop around the daemon."""

import asyncio
import os
from collections.abc import Callable, Coroutine, Mapping
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from gateway import run_site
from gateway.acquisition.plan import LinePath, SerialPath
from gateway.commands.service.descriptors import fitting_connections, needed_by, raise_limit, shortage
from gateway.commands.service.site_argument import load
from gateway.commands.service.site_looks import LOOKS
from gateway.commands.service.time_factor import checked_time_factor
from gateway.daemon import Daemon
from gateway.files import trouble_with
from gateway.keeping import kept_in
from gateway.process.door import Door
from gateway.process.logs import set_up_logs
from gateway.process.memory_file import state_directory
from gateway.process.running import DIRECTORY_VARIABLE, Claim, Running, claim
from gateway.process.service_manager import ServiceManager
from gateway.process.signals import on_hang_up, stop_on_signals
from gateway.process.stop_time import LAST_RESORT_S
from gateway.process.tasks import Loop
from gateway.reloading import Reloader
from gateway.settings.site import SiteSettings
from gateway.site_access import door_answers
from gateway.site_desk.source import SiteSource

__all__ = ["door", "run_in_loop", "running", "serve", "with_descriptors"]

TOO_FEW_DESCRIPTORS = "gateway.too_few_descriptors"
NO_DOOR = "door.none"


def serve(site: str, log_format: str, time_factor: float = 1.0) -> int:
    """Run the gateway of `site` until a signal; then 0. Raises SettingsError and UsageError before it starts."""
    settings = load(site)
    checked_time_factor(time_factor, simulated=settings.simulated)
    dropped_lines = set_up_logs(log_format, simulated=settings.simulated)
    settings = with_descriptors(settings)
    with claim(running(settings)) as claimed:

        def beside(gateway: Daemon) -> Mapping[str, Loop]:
            reloader = Reloader(site, partial(_read_again, site), claimed, gateway)
            on_hang_up(reloader.ask)
            # Only now, as nobody is to ask before it is heard.
            claimed.change(running(settings, site))
            if trouble_with(Path(site)) is None:  # it is none of those that come with the program
                gateway.site_desk.open(SiteSource(Path(site), state_directory(), reloader, LOOKS))
            return {"reload": reloader.run, "site file": gateway.site_desk.run, **door(claimed, gateway)}

        return run_in_loop(lambda: _until_stopped(settings, time_factor, dropped_lines, beside))


def door(claimed: Claim, gateway: Daemon) -> Mapping[str, Loop]:
    """The loop that hears people; none where its socket can stand nowhere, which is said."""
    if claimed.door is None:
        hint = f"nobody can act on this gateway: set {DIRECTORY_VARIABLE} to a folder that may be written"
        structlog.get_logger("gateway.door").warning(NO_DOOR, hint=hint)
        return {}
    gateway.access.local_secret = claimed.leave_pass()
    return {"door": Door(claimed.door, *door_answers(gateway.access, gateway.acting.answer)).run}


def _read_again(site: str) -> tuple[SiteSettings, Running]:
    settings = with_descriptors(load(site))
    return settings, running(settings, site)


def with_descriptors(settings: SiteSettings) -> SiteSettings:
    """The settings with as many connections to the HTTP interface as there are descriptors for; logs a shortage."""
    needed = needed_by(settings)
    limit = raise_limit(needed).soft
    trouble = shortage(needed, limit)
    if trouble is not None:
        structlog.get_logger("gateway.daemon").error(TOO_FEW_DESCRIPTORS, trouble=trouble)
    if settings.http is None:
        return settings
    return replace(settings, http=replace(settings.http, connections=fitting_connections(needed, limit)))


def running(settings: SiteSettings, site: str | None = None, ledger: Path | None = None) -> Running:
    """What this process says of itself to others on this machine. `site`: what it reads again when it is told to;
    `ledger`: where nobody can tell its file by that."""
    web = None
    if settings.http is not None:
        # Tools on this machine find it on loopback, where it listens everywhere.
        host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(settings.http.host, settings.http.host)
        web = f"[{host}]:{settings.http.port}" if ":" in host and "[" not in host else f"{host}:{settings.http.port}"
        web = web if settings.http.access.tls is None else f"https://{web}"
    lines = {
        line.name: tuple(_place(way) for way in (line.primary, line.standby) if way is not None)
        for line in settings.lines
    }
    files = None if site is None else os.path.abspath(site), None if ledger is None else str(ledger)
    return Running(settings.name, os.getpid(), web, lines, *files)


def run_in_loop(main: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run `main` on the fastest event loop there is; returns what it returns."""
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        return runner.run(main())


def _place(way: LinePath) -> str:
    """Where a line leads. One serial port may have several names."""
    return os.path.realpath(way.port) if isinstance(way, SerialPath) else str(way)


async def _until_stopped(
    settings: SiteSettings,
    time_factor: float,
    dropped_lines: Callable[[], int],
    beside: Callable[[Daemon], Mapping[str, Loop]],
) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop, within_s=LAST_RESORT_S)
    with closing(ServiceManager.of_this_process()) as manager:
        await run_site.run(
            settings,
            stop=stop,
            time_factor=time_factor,
            log_lines_dropped=dropped_lines,
            manager=manager,
            beside=beside,
            keep=kept_in(state_directory(), settings.name, settings.ledger, len(settings.tanks)),
            people=state_directory(),
        )
    return 0


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    try:
        import uvloop
    except ImportError:
        return None
    return uvloop.new_event_loop
