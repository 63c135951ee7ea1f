"""`demo`: simulated tanks, a broker and the gateway on this machine, with one command and no question."""

import argparse
import importlib.util
from datetime import UTC, datetime

from gateway.commands.service.time_factor import add_time_factor, checked_time_factor
from gateway.display import UnitSystem
from gateway.errors import GatewayError
from gateway.process.signals import ignore_signals, leave_on_signals
from gateway.process.standard_streams import unblock_stderr

__all__ = ["add_arguments", "execute"]

_EPILOG = """Everything listens on 127.0.0.1 alone. Ctrl-C or SIGTERM stops all of it.
The working day: a ship is unloaded, road cars are loaded without notice, water is drawn off, diesel goes from tank to
tank, a gauge sticks while its pump runs, a ship is loaded; at 06:00 the day ends and is closed, with its balance.
Examples: tank-gateway demo
          tank-gateway demo --working-day"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--units", choices=[system.value for system in UnitSystem], default="si", help="units shown")
    parser.add_argument(
        "--working-day",
        action="store_true",
        help="a depot of five tanks from 05:30 until 06:20 of the next day in ten minutes, and what people do there",
    )
    add_time_factor(parser, default=None)


def execute(arguments: argparse.Namespace) -> int:
    if importlib.util.find_spec("amqtt") is None:
        raise _NoBrokerError
    asked = arguments.time_factor
    factor = None if asked is None else checked_time_factor(asked, simulated=True)
    # Before the libraries are loaded: whoever stops a demo that is still starting gets a clean end as well.
    leave_on_signals()
    unblock_stderr()
    from gateway.commands.demonstration.play import ORDINARY, working_day
    from gateway.commands.demonstration.processes import run_demo

    play = working_day(datetime.now(UTC)) if arguments.working_day else ORDINARY
    try:
        return run_demo(play, UnitSystem(arguments.units), play.time_factor if factor is None else factor)
    finally:
        ignore_signals()


class _NoBrokerError(GatewayError):
    """The demo's broker is not installed."""

    hint = "pip install 'tank-gateway[demo]', or `make demo` in a clone"

    def __init__(self) -> None:
        super().__init__("the demo needs amqtt, an MQTT broker in Python, which is not installed")
