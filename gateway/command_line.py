"""`tank-gateway`: finds the command that was typed, runs it, and turns what went wrong into one line and an exit code.

Exit codes: 0 well, 1 the work failed, 2 wrong use or an invalid file.
"""

import argparse
import errno
import os
import sys
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from importlib import import_module
from types import MappingProxyType
from typing import NoReturn, Protocol, TextIO, cast

from gateway import __version__
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.process.garbage import seldom_collected
from gateway.process.standard_streams import is_journal, open_standard_descriptors, prioritised

__all__ = ["COMMANDS", "main"]

COMMANDS: Mapping[str, str] = MappingProxyType(
    {
        "demo": "run ten simulated tanks, a broker and the gateway on this machine",
        "run": "watch the tanks of a site file: read, calculate, publish, until it is stopped",
        "reload": "make the running gateway take over its site file as it is now",
        "check": "check a site file and list every mistake in it",
        "enter": "act on the running gateway: dips, densities, maintenance, alarms; what stands entered",
        "people": "say who may come to the page and as what: invite, change, remove; end what is open",
        "alarms": "show what needs someone, worst first, and what to do about it",
        "transfers": "show what is moved, how far, until when; plan, start, confirm, finish, close a transfer",
        "stock": "show what the site holds, now or of a closed day; enter amounts, close a day",
        "report": "write what is signed or filed: stock, reconciliation, tickets, alarms, overrides, changes",
        "show": "show the tanks as they stand now: level, volume, room, quality, age",
        "dip": "calculate volume and mass from a hand dip, each step with its clause",
        "table": "make, check, convert and preview capacity tables",
        "registers": "show what a device sends, in every way it can be read, and match it to a dip",
        "scan": "find which unit numbers answer on a line, at a safe rate",
        "record": "keep what a device is asked and answers in a file, for support",
        "replay": "answer as a recorded device did",
        "loop-check": "judge a 4-20 mA loop at fed currents, and keep the record",
        "dip-check": "judge a level gauge by three hand dips, and keep the record",
        "line-report": "tell how the lines are doing, what looks wrong and what to do",
        "recalculate": "make the recorded history of a tank again, as a new version",
        "ledger": "look at what a gateway has kept, take it out, check it, copy it",
        "delivery": "what others need who connect: register map, names everywhere, certificates, users",
        "simulate": "stand in for instruments, with their faults, to try a site file",
        "schema": "print the JSON Schema of a site file, a scenario file or a message",
    }
)

_ROOMS = {
    "demonstration": ("demo", "simulate"),
    "service": ("run", "reload", "check", "people", "ledger", "delivery", "schema"),
    "operator": ("alarms", "enter", "transfers", "show", "dip"),
    "surveyor": ("table",),
    "technician": ("registers", "scan", "record", "replay", "loop-check", "dip-check", "line-report"),
    "accountant": ("stock", "report", "recalculate"),
}
"""In which folder of `gateway.commands` each stands: by who uses it."""

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO)
_ERROR = 3
"""Of the priorities of a journal."""

_DESCRIPTION = """Turns tank level and temperature into volume, standard volume and mass, and says how good each is.
Monitoring only: not an overfill prevention system, not a safety instrumented system, not for custody transfer."""


_EPILOG = """What is in the tanks now:       tank-gateway show
What is wrong with a line:      tank-gateway line-report
Is a site file right:           tank-gateway check site.yaml
Volumes from a hand dip:        tank-gateway dip site.yaml TK-1 --level "9.412 m" --temperature "14.7 degC"
To see it all without a site:   tank-gateway demo
Each command has its own help:  tank-gateway show --help

Exit codes: 0 well; 1 it could not be done, or something was found that must be acted on; 2 typed wrongly, or a file
has mistakes."""


class Command(Protocol):
    """What the module of each command offers."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...

    def execute(self, arguments: argparse.Namespace) -> int: ...


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UsageError(message, f"{self.prog} --help")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    typed = list(sys.argv[1:] if argv is None else argv)
    open_standard_descriptors()
    _write_any_character()
    try:
        try:
            with seldom_collected():
                return _run(typed)
        finally:
            sys.stdout.flush()
    except SettingsError as error:
        _complain(*error.mistakes, hint=error.hint)
        return 2
    except UsageError as error:
        _complain(str(error), hint=error.hint)
        return 2
    except GatewayError as error:
        _complain(str(error), *error.further, hint=error.hint)
        return 1
    except BrokenPipeError:
        _silence(sys.stdout)  # whose reader (`| head`) has gone
        return 1
    except OSError as error:
        if error.errno not in _NO_ROOM:
            raise
        _silence(sys.stdout)
        _complain(f"the output cannot be written: {os.strerror(error.errno).lower()}", hint="is its disk full?")
        return 1
    except KeyboardInterrupt:
        if sys.stderr.isatty():
            sys.stderr.write("\n")  # the shell's prompt begins a line of its own, not behind ^C
        return 130


def _run(typed: list[str]) -> int:
    parser = _Parser(
        prog="tank-gateway",
        usage="tank-gateway COMMAND ...",
        description=_DESCRIPTION,
        epilog=f"{_listed()}\n\n{_EPILOG}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"tank-gateway {__version__}")
    subparsers = parser.add_subparsers(dest="command", prog="tank-gateway", help=argparse.SUPPRESS)
    chosen = next((word for word in typed if not word.startswith("-")), None)
    if chosen is not None and chosen not in COMMANDS:
        near = get_close_matches(chosen, COMMANDS, n=1)
        hint = f"did you mean {near[0]}?" if near else f"one of {', '.join(COMMANDS)}; tank-gateway --help"
        raise UsageError(f"there is no command '{chosen}'", hint)
    for name, summary in COMMANDS.items():
        subparser = subparsers.add_parser(name, description=f"{summary[0].upper()}{summary[1:]}.")
        if name == chosen:
            # Only the command that was typed is loaded, so that none waits for the libraries of another.
            command = cast("Command", import_module(_module(name)))
            command.add_arguments(subparser)
            subparser.set_defaults(execute=command.execute)
    arguments, unknown = parser.parse_known_args(typed)
    if unknown:
        raise UsageError(f"not understood: {' '.join(unknown)}", f"tank-gateway {chosen + ' ' if chosen else ''}--help")
    if arguments.command is None:
        raise UsageError("no command was given", f"one of {', '.join(COMMANDS)}; tank-gateway --help")
    return int(arguments.execute(arguments))


def _listed() -> str:
    """Each command on one line."""
    width = max(map(len, COMMANDS))
    return "\n".join(["commands:", *(f"  {name:<{width}}  {summary}" for name, summary in COMMANDS.items())])


def _module(name: str) -> str:
    room = next(room for room, names in _ROOMS.items() if name in names)
    return f"gateway.commands.{room}.{name.replace('-', '_')}"


def _silence(stream: TextIO) -> None:
    """Keeps the interpreter from complaining, when it flushes at exit, about what could not be written."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _complain(*lines: str, hint: str | None) -> None:
    from gateway.display import printable  # not for every command

    said = [f"tank-gateway: {line}" for line in lines] + ([f"  hint: {hint}"] if hint else [])
    text = "".join(f"{printable(line)}\n" for line in said)
    try:
        sys.stderr.write(prioritised(text, _ERROR) if is_journal(sys.stderr) else text)
        sys.stderr.flush()
    except OSError:
        _silence(sys.stderr)


def _write_any_character() -> None:
    """A stream that cannot encode a degree sign gets a question mark there, not a traceback."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
