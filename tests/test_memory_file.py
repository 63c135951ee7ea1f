"""The memory in its file: replaced whole or left alone, read back or refused with a sentence; nobody waits for it."""

import asyncio
import errno
import gzip
import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import orjson
import pytest
from structlog.testing import capture_logs

from gateway import keeping, remembering, run_site
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.files import UnreadableError
from gateway.going_on import MEMORY_RESTORED
from gateway.kept_memory import MEMORY_SCHEMA, Kept, KeptMemoryError, KeptTank
from gateway.process.memory_file import (
    DIRECTORY_VARIABLE,
    MEMORY_KEPT_AGAIN,
    MEMORY_NOT_KEPT,
    MEMORY_UNREADABLE,
    MemoryFile,
    MemoryKeeper,
    state_directory,
)
from gateway.records import LastGood
from gateway.resources import config_path
from gateway.settings import load_site

PATIENCE_S = 20.0
MEMORY = EMPTY_MEMORY._replace(last_good={"tov": LastGood(600.0, 12.5)})
KEPT = Kept(1_795_608_000_000_000_000, 5, {"TK-1": KeptTank("plan", MEMORY), "TK-2": KeptTank("other", EMPTY_MEMORY)})
NEWER = KEPT._replace(steady_ns=6)


@pytest.fixture
def file(tmp_path: Path) -> MemoryFile:
    return MemoryFile(tmp_path, "north yard")


def test_what_is_written_is_read_back(file: MemoryFile) -> None:
    assert file.read() is None
    file.write(KEPT)
    assert file.read() == KEPT
    file.write(NEWER)
    assert file.read() == NEWER
    assert os.listdir(file.path.parent) == ["north yard.memory.json.gz"]
    assert file.path.stat().st_mode & 0o077 == 0


def test_every_site_has_its_own(tmp_path: Path) -> None:
    MemoryFile(tmp_path, "north").write(KEPT)
    assert MemoryFile(tmp_path, "south").read() is None


def test_what_was_left_unfinished_is_in_nobodys_way(file: MemoryFile) -> None:
    unfinished = file.path.with_name(f"{file.path.name}.unfinished")
    unfinished.write_bytes(b"half of")
    assert file.read() is None
    file.write(KEPT)
    assert file.read() == KEPT
    assert not unfinished.exists()


@pytest.mark.parametrize("call", ["open", "write", "fsync", "rename"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO])
def test_what_fails_leaves_the_old_file(
    file: MemoryFile, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    file.write(KEPT)

    def fails(*_: object, **__: object) -> int:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patched:
        patched.setattr(os, call, fails)
        with pytest.raises(OSError, match=os.strerror(number)):
            file.write(NEWER)
    assert file.read() == KEPT
    assert os.listdir(file.path.parent) == [file.path.name]


def test_whatever_breaks_off_or_is_altered_is_refused(file: MemoryFile) -> None:
    file.write(KEPT)
    packed = file.path.read_bytes()
    for cut in range(len(packed)):
        file.path.write_bytes(packed[:cut])
        with pytest.raises(KeptMemoryError, match="it is damaged"):
            file.read()
    altered = bytearray(packed)
    # Within the packed data; the time, the mark of the system and such in the head of the format carry nothing.
    altered[len(packed) // 2] ^= 0x10
    file.path.write_bytes(altered)
    with pytest.raises(KeptMemoryError, match="it is damaged"):
        file.read()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "it is damaged: it cannot be unpacked"),
        (b"no gzip", "it is damaged: it cannot be unpacked"),
        (gzip.compress(b"no JSON", mtime=0), "it is damaged: it cannot be unpacked"),
        (gzip.compress(b"{}", mtime=0), "it is no memory of a gateway"),
        (
            gzip.compress(orjson.dumps({"schema": "tank-gateway/memory/99"}), mtime=0),
            f"it is of version 'tank-gateway/memory/99', and this gateway reads '{MEMORY_SCHEMA}'",
        ),
    ],
)
def test_what_cannot_be_read_is_said_and_begins_without(file: MemoryFile, content: bytes, sentence: str) -> None:
    file.path.write_bytes(content)
    with capture_logs() as logs:
        assert MemoryKeeper(file).read() is None
    assert logs == [
        {
            "event": MEMORY_UNREADABLE,
            "log_level": "warning",
            "file": str(file.path),
            "trouble": sentence,
            "hint": "every tank begins without memory",
        }
    ]


def test_what_is_no_file_is_said_and_begins_without(file: MemoryFile) -> None:
    os.mkfifo(file.path)
    with pytest.raises(UnreadableError):
        file.read()
    with capture_logs() as logs:
        assert MemoryKeeper(file).read() is None
    assert [each["trouble"] for each in logs] == ["cannot be read: it is no regular file"]


class SlowFile(MemoryFile):
    """A disk that takes something in when the test lets it, and then does what the test says."""

    def __init__(self, directory: Path, does: Callable[[Kept], None] = lambda _: None) -> None:
        super().__init__(directory, "site")
        self.does = does
        self.begun = threading.Semaphore(0)
        self.may = threading.Semaphore(0)
        self.written: list[Kept] = []

    def write(self, kept: Kept) -> None:
        self.begun.release()
        assert self.may.acquire(timeout=PATIENCE_S)
        self.does(kept)
        self.written.append(kept)


def test_a_slow_disk_gets_the_newest_only_and_nobody_waits(tmp_path: Path) -> None:
    file = SlowFile(tmp_path)
    keeper = MemoryKeeper(file)
    versions = [KEPT._replace(steady_ns=number) for number in range(5)]
    with capture_logs() as logs:
        events = [keeper.keep(versions[0])]
        assert file.begun.acquire(timeout=PATIENCE_S)
        events += [keeper.keep(each) for each in versions[1:]]
        assert [event.is_set() for event in events] == [False, True, True, True, False]
        file.may.release(2)
        assert events[0].wait(PATIENCE_S)
        assert events[-1].wait(PATIENCE_S)
    assert file.written == [versions[0], versions[-1]]
    assert [(each["event"], each.get("trouble")) for each in logs] == [
        (MEMORY_NOT_KEPT, "the disk has not taken in what came before yet"),
        (MEMORY_KEPT_AGAIN, None),
    ]


def test_a_full_disk_is_said_once_and_once_that_it_is_well_again(tmp_path: Path) -> None:
    def is_full(_: Kept) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    file = SlowFile(tmp_path, is_full)
    keeper = MemoryKeeper(file)
    file.may.release(5)
    with capture_logs() as logs:
        for _ in range(3):
            assert keeper.keep(KEPT).wait(PATIENCE_S)
        file.does = lambda _: None
        for _ in range(2):
            assert keeper.keep(KEPT).wait(PATIENCE_S)
    assert [(each["event"], each["log_level"], each.get("trouble")) for each in logs] == [
        (MEMORY_NOT_KEPT, "error", "No space left on device"),
        (MEMORY_KEPT_AGAIN, "info", None),
    ]


def test_where_there_is_no_such_directory_it_runs_on(tmp_path: Path) -> None:
    keeper = MemoryKeeper(MemoryFile(tmp_path / "nowhere", "site"))
    with capture_logs() as logs:
        assert keeper.read() is None
        assert keeper.keep(KEPT).wait(PATIENCE_S)
    assert [each["trouble"] for each in logs] == ["No such file or directory"]


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, None),
        ({"STATE_DIRECTORY": ""}, None),
        ({"STATE_DIRECTORY": "/var/lib/tank-gateway"}, "/var/lib/tank-gateway"),
        ({"STATE_DIRECTORY": "/var/lib/a:/var/lib/b"}, "/var/lib/a"),
        ({DIRECTORY_VARIABLE: "/srv", "STATE_DIRECTORY": "/var/lib/a"}, "/srv"),
    ],
)
def test_the_state_directory_is_as_told_or_as_systemd_gives_it(
    environment: dict[str, str], expected: str | None
) -> None:
    assert state_directory(environment) == (None if expected is None else Path(expected))


async def _is_there(file: MemoryFile) -> None:
    while not file.path.exists():  # noqa: ASYNC110 - another thread writes it
        await asyncio.sleep(0.01)


async def test_a_gateway_writes_each_minute_and_at_its_end_and_the_next_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = replace(load_site(config_path("one_tank.yaml")), deliveries=(), http=None)
    (tag,) = [tank.plan.tank for tank in site.tanks]
    file = MemoryFile(tmp_path, site.name)

    async def live() -> None:
        monkeypatch.setattr(remembering, "_EVERY_S", 0.01)
        stop = asyncio.Event()
        begun = asyncio.Event()
        keep = keeping.kept_in(tmp_path, site.name, None)
        running = asyncio.create_task(run_site.run(site, stop=stop, keep=keep, on_ready=lambda _: begun.set()))
        async with asyncio.timeout(PATIENCE_S):
            await begun.wait()
            await _is_there(file)
            file.path.unlink()
            await _is_there(file)
            monkeypatch.setattr(remembering, "_EVERY_S", 1e9)
            stop.set()
            await running

    await live()
    kept = file.read()
    assert kept is not None
    assert list(kept.tanks) == [tag]
    with capture_logs() as logs:
        await live()
    assert [each["tanks"] for each in logs if each["event"] == MEMORY_RESTORED] == [1]
    # A hundred a second may well overtake each other on a slow disk, which is said; that is not what is asked here.
    assert MEMORY_UNREADABLE not in {each["event"] for each in logs}
