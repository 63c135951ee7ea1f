"""Which gateways run on this machine: one for a site, one master for a line.

A running gateway holds a locked file in a runtime directory, which says what it watches and where it answers. The lock
is the system's: it ends with the process, however that ends. Gateways of other users are found where their directory
may be read.
"""

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, NamedTuple

from gateway.errors import GatewayError

__all__ = ["DIRECTORY_VARIABLE", "ClaimedError", "Running", "claim", "running_gateways"]

DIRECTORY_VARIABLE = "TANK_GATEWAY_RUNTIME"
"""An environment variable with the one directory to use, for tests and for whoever wants it elsewhere."""

_SYSTEM = "/run/tank-gateway"
_SCHEMA = "tank-gateway/running/1"
_LARGEST_BYTES = 1_000_000
_FORBIDDEN = str.maketrans(dict.fromkeys("/\0", "_"))


class Running(NamedTuple):
    """A gateway that runs on this machine."""

    site: str
    pid: int
    web: str | None
    """HOST:PORT where it answers; None where its site has no `web`."""
    lines: Mapping[str, tuple[str, ...]]
    """Line -> where it leads, both ways: HOST:PORT or a device file."""


class ClaimedError(GatewayError):
    """Another gateway on this machine watches the site or asks on a line. Retrying helps once it has ended."""

    hint = "stop that one first; two masters on one line spoil each other's answers"


@contextlib.contextmanager
def claim(mine: Running, *, exclusive: bool = True) -> Iterator[None]:
    """Holds the site and its lines while the block runs.

    Not `exclusive`: another gateway of the same site may run beside (the demo, whose every part is its own).
    Raises ClaimedError where another gateway of this machine has the site or one of the lines. Where no directory can
    be written, nothing is claimed: monitoring comes first.
    """
    for other in running_gateways():
        _refuse_conflict(mine, other, exclusive=exclusive)
    name = mine.site.translate(_FORBIDDEN)
    file = _own_directory() / (f"{name}.json" if exclusive else f"{name}-{mine.pid}.json")
    with contextlib.ExitStack() as stack:
        held = _locked(file)
        if held is None:
            for other in running_gateways():
                _refuse_conflict(mine, other, exclusive=exclusive)
            raise ClaimedError(f"another gateway of site {mine.site} is starting on this machine")
        if held.file is not None:
            stack.enter_context(held.file)
            _write(held.file, mine)
            stack.callback(_remove, file)
        yield


def running_gateways() -> list[Running]:
    """Those whose files may be read, in the order of their sites."""
    found = []
    for directory in _directories():
        with contextlib.suppress(OSError):
            found += [each for file in sorted(directory.glob("*.json")) if (each := _running(file)) is not None]
    return sorted(found, key=lambda each: (each.site, each.pid))


def _refuse_conflict(mine: Running, other: Running, *, exclusive: bool) -> None:
    where = f"process {other.pid}" + ("" if other.web is None else f", answering at {other.web}")
    if exclusive and other.site == mine.site:
        raise ClaimedError(f"site {mine.site} is watched by another gateway on this machine already ({where})")
    theirs = {place: line for line, places in other.lines.items() for place in places}
    for line, places in mine.lines.items():
        for place in places:
            if place in theirs:
                raise ClaimedError(
                    f"line {line} leads to {place}, which the gateway of site {other.site} polls as its line "
                    f"{theirs[place]} ({where})"
                )


class _Held(NamedTuple):
    file: IO[str] | None
    """None: the directory cannot be written."""


def _locked(file: Path) -> _Held | None:
    """The file, locked for this process; None where another process has it."""
    while True:
        try:
            _make_readable(file.parent)
            descriptor = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        except OSError:
            return _Held(None)
        opened = os.fdopen(descriptor, "r+", encoding="utf-8")
        try:
            fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # The one before may have removed the file between our opening and our locking it.
            if os.fstat(descriptor).st_ino == os.stat(file).st_ino:
                os.fchmod(descriptor, 0o644)
                return _Held(opened)
        except BlockingIOError:
            opened.close()
            return None
        except OSError:
            pass
        opened.close()


def _make_readable(folder: Path) -> None:
    """Makes the folder, for tools of other users to look into whatever the umask of this process is."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o755)


def _write(file: IO[str], mine: Running) -> None:
    """The lock holds also where there is no room to say more: monitoring comes first."""
    with contextlib.suppress(OSError):
        os.ftruncate(file.fileno(), 0)
        os.write(file.fileno(), json.dumps({"schema": _SCHEMA, **mine._asdict()}).encode())


def _remove(file: Path) -> None:
    with contextlib.suppress(OSError):
        file.unlink()


def _running(file: Path) -> Running | None:
    """What the file says, while its gateway runs."""
    try:
        with file.open(encoding="utf-8") as opened:
            try:
                fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                told = json.loads(opened.read(_LARGEST_BYTES))
                if told.get("schema") == _SCHEMA:
                    lines = {str(line): tuple(map(str, places)) for line, places in told["lines"].items()}
                    return Running(str(told["site"]), int(told["pid"]), told["web"], lines)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    return None


def _own_directory() -> Path:
    """Where this process keeps its file: under systemd the unit's own runtime directory."""
    given = os.environ.get(DIRECTORY_VARIABLE)
    if given:
        return Path(given)
    by_systemd = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    if by_systemd:
        return Path(by_systemd)
    if os.geteuid() == 0:
        return Path(_SYSTEM)
    return _of_user(os.geteuid())


def _of_user(user: int) -> Path:
    by_login = Path(f"/run/user/{user}")
    return by_login / "tank-gateway" if by_login.is_dir() else _temporary() / f"tank-gateway-{user}"


def _temporary() -> Path:
    """The folder for what is temporary, be it there and writable or not.

    tempfile.gettempdir writes into it to find out, and raises where nothing can be written or the disk is full.
    """
    return Path(next(filter(None, map(os.environ.get, ("TMPDIR", "TEMP", "TMP"))), "/tmp"))


def _directories() -> Sequence[Path]:
    """Where gateways of this machine may have their files."""
    given = os.environ.get(DIRECTORY_VARIABLE)
    if given:
        return [Path(given)]
    found = [Path(_SYSTEM), _own_directory()]
    for parent, pattern in ((Path("/run/user"), "*/tank-gateway"), (_temporary(), "tank-gateway-*")):
        with contextlib.suppress(OSError):
            found += sorted(parent.glob(pattern))
    return list(dict.fromkeys(found))
