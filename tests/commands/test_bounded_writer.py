"""A writer that never holds up and never fails whoever has something to say, and tells what it had to drop."""

import errno
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from gateway.process.bounded_writer import BoundedWriter, Dropped

_PATIENCE_S = 20.0


class Pipe:
    def __init__(self) -> None:
        self.reading, self.writing = os.pipe()

    def read(self, until: bytes) -> bytes:
        read = b""
        while not read.endswith(until):
            some = os.read(self.reading, 65536)
            assert some, read
            read += some
        return read

    def close(self) -> None:
        # Not what is written to: the thread goes on, and a number that is free again may be that of another file.
        with suppress(OSError):  # which a test has closed
            os.close(self.reading)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.close()


def notice(dropped: Dropped) -> str:
    return f"dropped {dropped.lines}\n"


def test_what_is_put_is_written_in_order(pipe: Pipe) -> None:
    writer = BoundedWriter(pipe.writing)
    for number in range(100):
        writer.put(f"line {number}\n")
    assert writer.drain(_PATIENCE_S)
    assert pipe.read(b"line 99\n").decode().splitlines() == [f"line {number}" for number in range(100)]
    assert writer.dropped == 0


def test_a_pipe_that_nobody_reads_holds_up_nobody_and_what_was_dropped_is_told_when_it_is_read_again(
    pipe: Pipe,
) -> None:
    """A pipe holds 65,536 bytes: of a thousand lines of a thousand bytes it takes 65, the queue twenty, and one is in
    the writer's hands; every other is dropped, and told of."""
    writer = BoundedWriter(pipe.writing, longest=20, notice=notice)
    for number in range(1000):
        writer.put(f"{number:03}{'.' * 996}\n")
    assert not writer.drain(0.0)
    assert writer.dropped >= 1000 - 66 - 20 - 5
    lines = pipe.read(f"dropped {writer.dropped}\n".encode()).decode().splitlines()
    kept = [int(line[:3]) for line in lines[:-1]]
    assert kept == sorted(kept)
    assert len(kept) + writer.dropped == 1000


def test_after_a_stall_it_goes_on_as_before(pipe: Pipe) -> None:
    writer = BoundedWriter(pipe.writing, longest=3, notice=notice)
    for _ in range(200):
        writer.put("." * 999 + "\n")
    dropped = writer.dropped
    assert dropped
    pipe.read(f"dropped {dropped}\n".encode())
    writer.put("and on\n")
    assert pipe.read(b"and on\n") == b"and on\n"
    assert writer.dropped == dropped


def test_a_full_disk_ends_nothing_and_is_told_of_when_there_is_room_again(pipe: Pipe) -> None:
    """/dev/full answers every write with ENOSPC (full(4))."""
    full = os.open("/dev/full", os.O_WRONLY)
    writer = BoundedWriter(full, notice=notice)
    for _ in range(3):
        writer.put("lost\n")
    assert writer.drain(_PATIENCE_S)
    assert writer.dropped == 3
    os.dup2(pipe.writing, full)
    writer.put("there is room\n")
    assert pipe.read(b"dropped 3\n") == b"there is room\ndropped 3\n"


def test_room_again_is_told_of_though_nothing_more_is_said(pipe: Pipe, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.process.bounded_writer._RETRY_S", 0.01)
    full = os.open("/dev/full", os.O_WRONLY)
    writer = BoundedWriter(full, notice=notice)
    writer.put("lost\n")
    assert writer.drain(_PATIENCE_S)
    os.dup2(pipe.writing, full)
    assert pipe.read(b"\n") == b"dropped 1\n"


def test_a_reader_that_has_gone_is_told_of_and_ends_nothing(pipe: Pipe) -> None:
    gone = threading.Event()
    writer = BoundedWriter(pipe.writing, on_gone=gone.set)
    os.close(pipe.reading)
    writer.put("to nobody\n")
    assert gone.wait(_PATIENCE_S)
    writer.put("to nobody\n")
    assert writer.drain(_PATIENCE_S)
    assert writer.dropped == 2


def test_a_pipe_that_another_program_made_non_blocking_is_waited_for(pipe: Pipe) -> None:
    os.set_blocking(pipe.writing, False)
    writer = BoundedWriter(pipe.writing)
    lines = ["." * 999 + "\n"] * 100
    for line in lines:
        writer.put(line)
    writer.put("end\n")
    assert pipe.read(b"end\n").decode() == "".join(lines) + "end\n"
    assert writer.dropped == 0


def test_a_line_torn_by_a_full_disk_does_not_run_into_the_next(pipe: Pipe, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that has room for five bytes more takes five."""
    answers: list[Callable[[int, bytes], int]] = [lambda fd, data: write(fd, data[:5]), no_space]
    write = os.write

    def torn(descriptor: int, data: bytes) -> int:
        return (answers.pop(0) if answers else write)(descriptor, data)

    monkeypatch.setattr(os, "write", torn)
    writer = BoundedWriter(pipe.writing)
    writer.put("torn apart\n")
    writer.put("whole\n")
    assert pipe.read(b"whole\n") == b"torn \nwhole\n"
    assert writer.drain(_PATIENCE_S)
    assert writer.dropped == 1


def no_space(descriptor: int, data: bytes) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_signals_are_left_to_the_main_thread(pipe: Pipe) -> None:
    """One that the writer's thread took would not wake the main thread from what it waits in."""
    BoundedWriter(pipe.writing).drain(_PATIENCE_S)
    (number, *_) = [thread.native_id for thread in threading.enumerate() if thread.name == "writer"]
    status = Path(f"/proc/self/task/{number}/status").read_text("ascii")
    blocked = int(status.partition("SigBlk:")[2].split()[0], 16)
    assert blocked >> (signal.SIGTERM - 1) & 1
    assert blocked >> (signal.SIGINT - 1) & 1


def test_when_the_first_and_the_last_were_dropped_is_told() -> None:
    full = os.open("/dev/full", os.O_WRONLY)
    told: list[Dropped] = []

    def keep(dropped: Dropped) -> str:
        told.append(dropped)
        return notice(dropped)

    writer = BoundedWriter(full, notice=keep)
    for _ in range(2):
        writer.put("lost\n")
        assert writer.drain(_PATIENCE_S)
    assert [dropped.lines for dropped in told] == [1, 2]
    assert told[0].first == told[0].last == told[1].first < told[1].last
