"""`run`: the daemon, until SIGTERM or SIGINT."""

import argparse
import asyncio
import signal
from collections.abc import Callable, Coroutine
from typing import Any

from gateway import daemon
from gateway.commands.logs import LOG_FORMATS, set_up_logs
from gateway.commands.site_argument import add_site, load
from gateway.settings.site import SiteSettings

__all__ = ["add_arguments", "execute", "run_until_signal", "stop_on_signals"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument(
        "--log-format", choices=LOG_FORMATS, default="auto", help="auto: text on a terminal, JSON elsewhere"
    )


def execute(arguments: argparse.Namespace) -> int:
    settings = load(arguments.site)
    set_up_logs(arguments.log_format, simulated=settings.simulated)
    return run_until_signal(lambda: _serve(settings))


def run_until_signal(main: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run `main` on the fastest event loop there is; returns what it returns."""
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        return runner.run(main())


def stop_on_signals(stop: asyncio.Event) -> None:
    """Let SIGTERM and SIGINT set `stop`, in the running loop. A second one changes nothing: the way out is bounded."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)


async def _serve(settings: SiteSettings) -> int:
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
