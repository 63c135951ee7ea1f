"""Which gateways run on this machine: one for a site, one master for a line.

A running gateway holds a locked file in a runtime directory, which says what it watches and where it answers. The lock
is the system's: it ends with the process, however that ends. Gateways of other users are found where their directory
may be read.
"""

import contextlib
import fcntl
import json
import os
import secrets
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, NamedTuple

from gateway.errors import GatewayError
from gateway.files import UnreadableError, open_regular

__all__ = [
    "DIRECTORY_VARIABLE",
    "Claim",
    "ClaimedError",
    "Found",
    "Running",
    "claim",
    "door_of",
    "found_gateways",
    "read_answer",
    "read_pass",
    "running_gateways",
]

DIRECTORY_VARIABLE = "TANK_GATEWAY_RUNTIME"
"""An environment variable with the one directory to use, for tests and for whoever wants it elsewhere."""

_SYSTEM = "/run/tank-gateway"
_SCHEMA = "tank-gateway/running/1"
_ANSWER_SCHEMA = "tank-gateway/answer/1"
_LARGEST_BYTES = 1_000_000
_LARGEST_PASS = 200
_FORBIDDEN = str.maketrans(dict.fromkeys("/\0", "_"))


class Running(NamedTuple):
    """A gateway that runs on this machine."""

    site: str
    pid: int
    web: str | None
    """HOST:PORT where it answers, after https:// where it does so over TLS; None where its site has no `web`."""
    lines: Mapping[str, tuple[str, ...]]
    """Line -> where it leads, both ways: HOST:PORT or a device file."""
    site_file: str | None = None
    """Which it reads again when it is told to, by SIGHUP; None where it takes no such word, which would end it."""
    ledger: str | None = None
    """File of its ledger; None where it keeps none, or where that is not known."""


class Found(NamedTuple):
    """A running gateway, and the file by which it was found."""

    file: Path
    running: Running
    user: int
    """Whose the file is."""


class ClaimedError(GatewayError):
    """Another gateway on this machine watches the site or asks on a line. Retrying helps once it has ended."""

    hint = "stop that one first; two masters on one line spoil each other's answers"


class Claim:
    """What a running gateway holds, and says in its file."""

    def __init__(self, mine: Running, held: IO[str] | None, file: Path, *, exclusive: bool) -> None:
        self._mine = mine
        self._held = held
        self._file = file
        self._exclusive = exclusive

    def change(self, mine: Running) -> Running:
        """Holds these lines instead; returns what was held. Raises ClaimedError where another gateway has one."""
        for other in running_gateways():
            if other.pid != mine.pid:
                _refuse_conflict(mine, other, exclusive=self._exclusive)
        before, self._mine = self._mine, mine
        if self._held is not None:
            _write(self._held, mine)
        return before

    @property
    def door(self) -> Path | None:
        """Where its socket may stand; None where no directory can be written."""
        return None if self._held is None else door_of(self._file)

    def leave_pass(self) -> str:
        """A secret of this process for whoever may act here: by it tools of this machine are let in over HTTP, whatever
        the site file says of others."""
        made, file = secrets.token_urlsafe(32), _pass_file(self._file)
        with contextlib.suppress(OSError):
            file.unlink(missing_ok=True)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
            with os.fdopen(os.open(file, flags, 0o600), "w", encoding="ascii") as opened:
                # As the door is: for the owner and the group.
                os.fchmod(opened.fileno(), 0o640)
                opened.write(made)
        return made

    def answer(self, told: Mapping[str, object]) -> None:
        """Says to whoever told this gateway to do something what has come of it. For its own user and root."""
        part = self._file.with_suffix(".part")
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
            with os.fdopen(os.open(part, flags, 0o600), "w", encoding="utf-8") as file:
                json.dump({"schema": _ANSWER_SCHEMA, **told}, file)
            part.replace(_answer_file(self._file))


def door_of(file: Path) -> Path:
    """The socket by which people act on the gateway that is found by this file."""
    return file.with_suffix(".door")


def read_pass(found: Found) -> str | None:
    """What the gateway that was found has left for tools; None where it has not, or this user may not read it."""
    try:
        descriptor = os.open(_pass_file(found.file), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, encoding="ascii") as opened:
            return opened.read(_LARGEST_PASS) or None
    except (OSError, ValueError):
        return None


def read_answer(file: Path) -> Mapping[str, Any] | None:
    """What the gateway that was found by this file has last answered; None where it has not."""
    try:
        descriptor = os.open(_answer_file(file), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, encoding="utf-8") as opened:
            told = json.loads(opened.read(_LARGEST_BYTES))
    except FileNotFoundError:
        return None
    except ValueError:
        return None
    return told if isinstance(told, dict) and told.get("schema") == _ANSWER_SCHEMA else None


@contextlib.contextmanager
def claim(mine: Running, *, exclusive: bool = True) -> Iterator[Claim]:
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
            stack.callback(_remove, _answer_file(file))
            stack.callback(_remove, _pass_file(file))
            stack.callback(_remove, file)
        yield Claim(mine, held.file, file, exclusive=exclusive)


def running_gateways() -> list[Running]:
    """Those whose files may be read, in the order of their sites."""
    return [found.running for found in found_gateways()]


def found_gateways() -> list[Found]:
    """The same, each with its file."""
    found = []
    for directory in _directories():
        with contextlib.suppress(OSError):
            found += [each for file in sorted(directory.glob("*.json")) if (each := _running(file)) is not None]
    return sorted(found, key=lambda each: (each.running.site, each.running.pid))


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
    """In one go and never shorter than before, so that whoever reads meanwhile finds the old or the new.

    The lock holds also where there is no room to say more: monitoring comes first.
    """
    text = json.dumps({"schema": _SCHEMA, **mine._asdict()}).encode()
    descriptor = file.fileno()
    with contextlib.suppress(OSError):
        os.pwrite(descriptor, text.ljust(os.fstat(descriptor).st_size), 0)


def _remove(file: Path) -> None:
    with contextlib.suppress(OSError):
        file.unlink()


def _answer_file(file: Path) -> Path:
    return file.with_suffix(".answer")


def _pass_file(file: Path) -> Path:
    return file.with_suffix(".pass")


def _running(file: Path) -> Found | None:
    """What the file says, while its gateway runs."""
    try:
        with open_regular(file) as opened:
            try:
                fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                told = json.loads(opened.read(_LARGEST_BYTES))
                if told.get("schema") == _SCHEMA:
                    lines = {str(line): tuple(map(str, places)) for line, places in told["lines"].items()}
                    files = told.get("site_file"), told.get("ledger")
                    running = Running(str(told["site"]), int(told["pid"]), told["web"], lines, *files)
                    return Found(file, running, os.fstat(opened.fileno()).st_uid)
    except (UnreadableError, OSError, ValueError, KeyError, TypeError, AttributeError):
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
