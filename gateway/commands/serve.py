"""The event loop around the daemon."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from gateway import daemon
from gateway.commands.logs import set_up_logs
from gateway.commands.signals import stop_on_signals
from gateway.commands.site_argument import load
from gateway.settings.site import SiteSettings

__all__ = ["run_in_loop", "serve"]


def serve(site: str, log_format: str) -> int:
    """Run the gateway of `site` until a signal; then 0. Raises SettingsError and UsageError before it starts."""
    settings = load(site)
    set_up_logs(log_format, simulated=settings.simulated)
    return run_in_loop(lambda: _until_stopped(settings))


def run_in_loop(main: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run `main` on the fastest event loop there is; returns what it returns."""
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        return runner.run(main())


async def _until_stopped(settings: SiteSettings) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop)
    await daemon.run(settings, stop=stop)
    return 0


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    try:
        import uvloop
    except ImportError:
        return None
    return uvloop.new_event_loop
