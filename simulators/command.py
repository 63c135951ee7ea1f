"""Serve a scenario from the command line until told to stop."""

import argparse
import asyncio
import json
import logging
import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence

from simulators.errors import ScenarioError
from simulators.running import Running, serve
from simulators.scenario import Scenario
from simulators.scenario_file import load_scenario, scenario_names, scenario_path
from simulators.text_file import read_text
from simulators.worksheet import worksheet

__all__ = ["main", "options_help"]


def main(argv: Sequence[str]) -> int:
    """Serve the scenario named in `argv` until SIGINT, SIGTERM or, if asked for, the end of standard input.

    Returns 0 when stopped so, 1 when serving failed, 2 for wrong use or a wrong scenario.
    """
    try:
        arguments = _parser().parse_args(argv)
    except SystemExit as exc:
        return exc.code if isinstance(exc.code, int) else 2
    try:
        ports = dict(_port(text) for text in arguments.port)
        if arguments.print:
            sys.stdout.write(read_text(scenario_path(arguments.scenario)))
            return 0
        scenario = load_scenario(arguments.scenario)
        if arguments.check or arguments.worksheet:
            sys.stdout.write(worksheet(scenario) if arguments.worksheet else _well(scenario))
            return 0
        if arguments.time_factor is not None:
            scenario = _paced(scenario, arguments.time_factor)
        logging.basicConfig(stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
        return asyncio.run(_serve(scenario, arguments.host, ports, arguments.json, arguments.until_stdin_closes))
    except ScenarioError as exc:
        sys.stderr.write(f"{exc}\n")
        return 2
    except OSError as exc:
        sys.stderr.write(f"cannot listen on {arguments.host}: {exc.strerror}; give an address of this machine\n")
        return 1


def options_help() -> str:
    """What may follow the command, as its own help has it, without the usage."""
    return _parser().format_help().partition("\n\n")[2]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tank-gateway simulate",
        description="Serve SIMULATED tanks and their instruments until stopped: by Modbus TCP, by RTU or ASCII inside "
        "TCP, on serial ports. They can only be read. What a scenario file may say: simulate every_key --print.",
    )
    parser.add_argument(
        "scenario", metavar="SCENARIO", help=f"a scenario file, or one of: {', '.join(scenario_names())}"
    )
    parser.add_argument(
        "--port", metavar="LINE=PORT", action="append", default=[], help="TCP port of a line; 0 for any free one"
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument("--print", action="store_true", help="only print the scenario file, to begin one of your own")
    parser.add_argument("--check", action="store_true", help="only check the scenario file")
    parser.add_argument("--worksheet", action="store_true", help="only print what stands in which register, as CSV")
    parser.add_argument(
        "--time-factor", metavar="N", type=float, help="scenario time in a second of real time, in place of the file's"
    )
    parser.add_argument("--json", action="store_true", help="print the addresses as one line of JSON")
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="stop when standard input ends, as when a parent is gone"
    )
    return parser


def _paced(scenario: Scenario, factor: float) -> Scenario:
    if not 0.0 < factor < math.inf:
        raise ScenarioError(f"--time-factor {factor:g}: is not above 0; 60 makes an hour a minute")
    return scenario.model_copy(update={"time_factor": factor})


def _well(scenario: Scenario) -> str:
    tanks, instruments, lines = len(scenario.tanks), len(scenario.instruments), len(scenario.lines)
    return f"well: {_count(tanks, 'tank')}, {_count(instruments, 'instrument')} on {_count(lines, 'line')}\n"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _port(text: str) -> tuple[str, int]:
    line, _, number = text.partition("=")
    if not line or not number.isdecimal() or int(number) > 65535:
        raise ScenarioError(f"--port {text}: is not LINE=PORT with a port of 0 to 65535; write it like bus-a=15020")
    return line, int(number)


async def _serve(scenario: Scenario, host: str, ports: dict[str, int], as_json: bool, until_stdin_closes: bool) -> int:
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    try:
        async with serve(scenario, host, ports) as running:
            sys.stdout.write(_addresses_json(running) if as_json else _addresses_text(running))
            sys.stdout.flush()
            if until_stdin_closes:
                _watch_stdin(lambda: loop.call_soon_threadsafe(stop.set))
            waits = [asyncio.ensure_future(stop.wait()), asyncio.ensure_future(running.failed.wait())]
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            for wait in waits:
                wait.cancel()
            return 1 if running.failure is not None else 0
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def _watch_stdin(ended: Callable[[], object]) -> None:
    def wait_for_end() -> None:
        # os.read, not sys.stdin: a buffered reader held by a thread is fatal when the interpreter shuts down.
        try:
            while os.read(0, 4096):
                pass
        except OSError:
            pass
        try:
            ended()
        except RuntimeError:
            return  # the loop has ended first

    threading.Thread(target=wait_for_end, name="simulators.stdin", daemon=True).start()


def _addresses_json(running: Running) -> str:
    return (
        json.dumps(
            {
                "simulated": True,
                "scenario": running.scenario.name,
                "seed": running.scenario.seed,
                "addresses": {
                    name: {
                        "host": host,
                        "port": port,
                        "url": f"modbus://{host}:{port}",
                        "framing": running.lines[name].framing,
                    }
                    for name, (host, port) in running.addresses.items()
                },
                "serial": {
                    name: {
                        "port": path,
                        "framing": running.lines[name].framing,
                        "baud": part.baud,
                        "parity": part.parity,
                    }
                    for name, path in running.serial_ports.items()
                    if (part := running.scenario.lines[name].serial) is not None
                },
                "replaced": {
                    name: {"wanted": wanted, "port": given} for name, (wanted, given) in running.replaced.items()
                },
            }
        )
        + "\n"
    )


def _addresses_text(running: Running) -> str:
    scenario = running.scenario
    lines = [
        f"SIMULATED site '{scenario.name}': {len(scenario.tanks)} tanks, {len(scenario.instruments)} instruments, "
        f"seed {scenario.seed}, time factor {scenario.time_factor:g}"
    ]
    for name, line in running.lines.items():
        units = ", ".join(str(unit) for unit in sorted(line.instruments))
        lines.append(f"  {name:<12} {line.place}  units {units}")
    lines += [f"  port {wanted} of {name} was taken" for name, (wanted, _) in running.replaced.items()]
    lines.append("All values are SIMULATED. Stop with Ctrl-C.")
    return "\n".join(lines) + "\n"
