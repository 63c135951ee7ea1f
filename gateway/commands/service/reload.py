"""`reload`: the running gateway reads its site file again, takes it over or refuses it, and says what has changed."""

import argparse
import os
import signal
import time
from collections.abc import Mapping
from typing import Any

from gateway.commands.output import write, write_json
from gateway.commands.which_gateway import chosen_gateway
from gateway.display import printable
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.process.running import Found, read_answer

__all__ = ["add_arguments", "execute"]

_PATIENCE_S = 60.0
_LOOK_EVERY_S = 0.05
_NOTHING = "nothing has changed"
_ANOTHER_USER = "ask as the user that runs it or as root; under systemd: systemctl reload tank-gateway"


_EPILOG = """What is the same in both files goes on undisturbed. A file with a mistake is refused, and the gateway
goes on with what it had. Exit codes: 0 taken over, 2 the file has a mistake, 1 nobody answered.
Examples: tank-gateway reload
          tank-gateway reload harbour"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("site", metavar="NAME", nargs="?", help="name of its site, where several run on this machine")
    parser.add_argument("--process", metavar="NUMBER", type=int, help="number of its process, instead")
    parser.add_argument("--json", action="store_true", help="print what came of it for a program")


def execute(arguments: argparse.Namespace) -> int:
    found = _chosen(arguments.site, arguments.process)
    answer = _asked(found)
    code, lines, hint = _read(answer)
    if arguments.json:
        write_json({"well": code == 0, "changes": lines if code == 0 else [], "mistakes": [] if code == 0 else lines})
        return code
    if code == 0:
        write(*(printable(line) for line in lines or (_NOTHING,)))
        return 0
    shown = tuple(printable(line) for line in lines)
    goes_on = f"site {found.running.site} goes on as before"
    hint = goes_on if hint is None else f"{printable(hint)}; {goes_on}"
    error = SettingsError(shown) if code == 2 else GatewayError(shown[0] if shown else "refused")
    error.hint = hint
    raise error


def _chosen(site: str | None, process: int | None) -> Found:
    """Raises GatewayError where there is none, UsageError where there are several, or one that reads nothing again."""
    found = chosen_gateway(site, process, "say which by its name or --process")
    if found.running.site_file is None:
        raise UsageError(
            f"the gateway of site {found.running.site} reads no site file again: it is a demo, or not yet ready",
            "stop and start it",
        )
    return found


def _asked(found: Found) -> Mapping[str, Any]:
    """What the gateway answers. Raises GatewayError where it cannot be asked, or does not answer."""
    pid = found.running.pid
    asked_ns = time.monotonic_ns()
    try:
        # Anybody may write a file that names a process: a signal goes only to one of the same user as the file.
        if os.stat(f"/proc/{pid}").st_uid != found.user:
            raise GatewayError(f"{found.file} names process {pid}, which is another user's: it is not asked")
        os.kill(pid, signal.SIGHUP)
        return _answered(found, asked_ns)
    except PermissionError as error:
        refused = GatewayError(f"the gateway of site {found.running.site} (process {pid}) is run by another user")
        refused.hint = _ANOTHER_USER
        raise refused from error
    except (ProcessLookupError, FileNotFoundError) as error:
        raise GatewayError(f"the gateway of site {found.running.site} (process {pid}) has ended") from error


def _answered(found: Found, asked_ns: int) -> Mapping[str, Any]:
    """The answer to a reload that was begun since."""
    until_ns = asked_ns + round(_PATIENCE_S * 1e9)
    while time.monotonic_ns() < until_ns:
        answer = read_answer(found.file)
        if answer is not None and isinstance(answer.get("begun_ns"), int) and answer["begun_ns"] >= asked_ns:
            return answer
        os.stat(f"/proc/{found.running.pid}")
        time.sleep(_LOOK_EVERY_S)
    error = GatewayError(f"the gateway of site {found.running.site} has not answered within {_PATIENCE_S:g} s")
    error.hint = "it may be reading a large file, or one of a drive that does not answer; its log tells what came of it"
    raise error


def _read(answer: Mapping[str, Any]) -> tuple[int, tuple[str, ...], str | None]:
    lines, hint = answer.get("lines"), answer.get("hint")
    code = answer.get("code")
    told = tuple(str(line) for line in lines) if isinstance(lines, list) else ()
    return (code if code in (0, 1, 2) else 1), told, None if hint is None else str(hint)
