"""`demo`: ten simulated tanks, a broker and the gateway on this machine, with one command and no question."""

import argparse
import importlib.util

from gateway.commands.service.time_factor import add_time_factor, checked_time_factor
from gateway.display import UnitSystem
from gateway.errors import GatewayError
from gateway.process.signals import ignore_signals, leave_on_signals
from gateway.process.standard_streams import unblock_stderr

__all__ = ["add_arguments", "execute"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "Everything listens on 127.0.0.1 alone. Ctrl-C or SIGTERM stops all of it."
    parser.add_argument("--units", choices=[system.value for system in UnitSystem], default="si", help="units shown")
    add_time_factor(parser)


def execute(arguments: argparse.Namespace) -> int:
    if importlib.util.find_spec("amqtt") is None:
        raise _NoBrokerError
    factor = checked_time_factor(arguments.time_factor, simulated=True)
    # Before the libraries are loaded: whoever stops a demo that is still starting gets a clean end as well.
    leave_on_signals()
    unblock_stderr()
    from gateway.commands.demonstration.processes import run_demo

    try:
        return run_demo(UnitSystem(arguments.units), factor)
    finally:
        ignore_signals()


class _NoBrokerError(GatewayError):
    """The demo's broker is not installed."""

    hint = "pip install 'tank-gateway[demo]', or `make demo` in a clone"

    def __init__(self) -> None:
        super().__init__("the demo needs amqtt, an MQTT broker in Python, which is not installed")
