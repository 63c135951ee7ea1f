"""The door of a gateway that runs on this machine, from the side of a command: what is asked, and what it answers."""

import json
import socket
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from gateway.commands.output import write, write_json
from gateway.display import printable
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.process.door import LARGEST_BYTES, connected, peer_of
from gateway.process.running import Found, door_of

__all__ = ["asked", "tell_answer"]

_PATIENCE_S = 40.0
_LARGEST_ANSWER = 50_000_000
_PIECE = 65_536


def asked(found: Found, request: Mapping[str, str]) -> dict[str, Any]:
    """What the gateway answers. Raises GatewayError where it cannot be asked, or does not answer."""
    line = json.dumps(request).encode() + b"\n"
    site = found.running.site
    if len(line) > LARGEST_BYTES:
        raise UsageError("what was typed is too long", f"at most {LARGEST_BYTES:,} characters")
    try:
        with connected(door_of(found.file), _PATIENCE_S) as client:
            # Anybody may leave a socket in a folder for what is temporary: only that of the file's own user is asked.
            if peer_of(client.fileno()).user not in (0, found.user):
                raise GatewayError(f"the socket beside {found.file} is another user's: it is not asked")
            with suppress(BrokenPipeError, ConnectionResetError):
                # Who refuses somebody does so before it has read what that one says.
                client.sendall(line)
            answer = _answer(client)
    except PermissionError as error:
        refused = GatewayError(f"you may not act on the gateway of site {site}")
        refused.hint = "root, the gateway's own user and members of its group may; log in anew after you were added"
        raise refused from error
    except (FileNotFoundError, ConnectionRefusedError) as error:
        closed = GatewayError(f"the gateway of site {site} (process {found.running.pid}) hears nobody")
        closed.hint = "it is only starting, it stops, or it is of an older version; its log tells"
        raise closed from error
    except OSError as error:
        raise GatewayError(f"the gateway of site {site} does not answer: {error.strerror or error}") from error
    if not isinstance(answer, dict) or answer.get("code") not in (0, 1, 2) or "lines" not in answer:
        raise GatewayError(f"the answer of the gateway of site {site} is not one that this version understands")
    return answer


def tell_answer(answer: Mapping[str, Any], *, as_json: bool) -> int:
    """Its lines, and the exit code. Raises SettingsError for what was typed wrongly, GatewayError for what cannot be
    done."""
    if as_json:
        write_json(answer)
        return int(answer["code"])
    if answer["code"] != 0:
        raise _failure(answer)
    write(*(printable(str(line)) for line in answer["lines"]))
    write(*(f"note: {printable(str(line))}" for line in answer.get("notes", ())))
    return 0


def _failure(answer: Mapping[str, Any]) -> GatewayError:
    lines = tuple(printable(str(line)) for line in answer["lines"]) or ("refused",)
    # Of a file that is refused each line names one mistake: whoever has to put them right reads all of them.
    error = SettingsError(lines) if answer["code"] == 2 else GatewayError(lines[0])
    if not isinstance(error, SettingsError):
        error.further = lines[1:]
    error.hint = printable(str(answer["hint"])) if answer.get("hint") else None
    return error


def _answer(client: socket.socket) -> Any:
    """Raises OSError."""
    pieces, size = [], 0
    while size < _LARGEST_ANSWER:
        try:
            piece = client.recv(_PIECE)
        except ConnectionResetError:
            break  # it has answered without reading all that was said, and closed
        if not piece:
            break
        pieces.append(piece)
        size += len(piece)
    try:
        return json.loads(b"".join(pieces))
    except ValueError:
        return None
