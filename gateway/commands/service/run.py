"""`run`: the daemon, until SIGTERM or SIGINT."""

import argparse
import signal

from gateway.commands.service.time_factor import add_time_factor
from gateway.process.signals import ignore_signals, leave_on_signals
from gateway.process.standard_streams import unblock_stderr

__all__ = ["add_arguments", "execute"]


_EPILOG = """It reads the instruments, and can write to none. It ends by Ctrl-C or SIGTERM, and first says on the broker
that nobody watches the tanks from here. A changed site file is taken over by `tank-gateway reload`, if it is right.
Its log goes to standard error. What it sees: tank-gateway show, in another terminal.
Example: tank-gateway run site.yaml"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("site", metavar="SITE", help="site file (YAML), or `demo` for the demo site")
    parser.add_argument(
        "--log-format", choices=["auto", "text", "json"], default="auto", help="auto: text on a terminal, else JSON"
    )
    add_time_factor(parser)


def execute(arguments: argparse.Namespace) -> int:
    # First of all. A terminal that is closed, or a tool that turns logs over, must not end the watching; and whoever
    # stops a gateway that is still loading its libraries gets a clean end as well. Once it runs, SIGHUP makes it read
    # its site file again.
    for number in (signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2):
        signal.signal(number, signal.SIG_IGN)
    leave_on_signals()
    # From here on nothing that is done with the log, or not done, holds this up.
    unblock_stderr()
    from gateway.commands.service.serve import serve

    try:
        return serve(arguments.site, arguments.log_format, arguments.time_factor)
    finally:
        ignore_signals()
