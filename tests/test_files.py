"""Files that people name: a sentence for whatever is wrong with one, and never more than there should be in it."""

import os
import resource
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.files import (
    UnreadableError,
    is_readable_by_all,
    lines_of,
    read_bytes,
    read_text,
    replace_whole,
    trouble_with,
    write_new,
)
from tests.support.users import as_ordinary_user, folder_of_all

__all__ = ["folder_of_all"]


def test_what_is_in_a_file(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes("\ufeffnaïve\n".encode())
    assert read_text(path, 100) == "naïve\n"
    assert read_bytes(path, 100) == "\ufeffnaïve\n".encode()
    assert trouble_with(path) is None


def test_a_file_may_have_exactly_so_many_bytes(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 100)
    assert len(read_bytes(path, 100)) == 100
    path.write_bytes(b"x" * 101)
    with pytest.raises(UnreadableError) as caught:
        read_bytes(path, 100)
    assert str(caught.value) == f"{path}: is larger than 0.1 kB, and no file of its kind needs to be"
    path.write_bytes(b"x" * 4_000_001)
    with pytest.raises(UnreadableError, match="is larger than 4 MB"):
        read_bytes(path, 4_000_000)


def folder(path: Path) -> None:
    path.mkdir()


def pipe(path: Path) -> None:
    os.mkfifo(path)


def forbidden(path: Path) -> None:
    path.write_text("secret")
    path.chmod(0)


def nothing(path: Path) -> None:
    pass


def endless(path: Path) -> None:
    path.symlink_to("/dev/zero")


def circle(path: Path) -> None:
    path.symlink_to(path)


WRONG: list[tuple[Callable[[Path], None], str, bool]] = [
    (folder, "cannot be read: is a directory", False),
    (pipe, "cannot be read: it is no regular file", False),
    (forbidden, "may not be read by this user", False),
    (nothing, "cannot be read: no such file or directory", True),
    (endless, "cannot be read: it is no regular file", False),
    (circle, "cannot be read: too many levels of symbolic links", False),
]


@pytest.mark.parametrize(("make", "cause", "missing"), WRONG)
def test_what_is_wrong_with_it_is_said(
    make: Callable[[Path], None], cause: str, missing: bool, folder_of_all: Path
) -> None:
    path = folder_of_all / "a"
    make(path)
    with as_ordinary_user():
        found = trouble_with(path)
        with pytest.raises(UnreadableError) as caught:
            read_text(path, 100)
    assert found is not None
    for error in (found, caught.value):
        assert (error.cause, error.missing, str(error)) == (cause, missing, f"{path}: {cause}")


def test_a_folder_that_may_not_be_looked_into(folder_of_all: Path) -> None:
    (folder_of_all / "a").write_text("x")
    folder_of_all.chmod(0)
    try:
        with as_ordinary_user():
            found = trouble_with(folder_of_all / "a")
            assert not is_readable_by_all(folder_of_all / "a")
    finally:
        folder_of_all.chmod(0o755)
    assert found is not None
    assert (found.cause, found.missing) == ("may not be read by this user", False)


@pytest.mark.parametrize("name", ["a\0b", "a" * 5000, "\ud800"])
def test_a_name_that_no_file_can_have(name: str, tmp_path: Path) -> None:
    found = trouble_with(tmp_path / name)
    assert found is not None
    assert found.missing
    with pytest.raises(UnreadableError):
        read_bytes(tmp_path / name, 10)


def test_bytes_of_a_secret_are_told_to_nobody(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"pass\xffword")
    with pytest.raises(UnreadableError) as caught:
        read_text(tmp_path / "a", 100)
    assert caught.value.cause == "is not UTF-8 text (byte 4); save it as UTF-8"
    assert caught.value.__cause__ is caught.value.__context__ is None


@pytest.mark.parametrize(
    ("data", "where"),
    [
        ("level,volume\n".encode("utf-16"), 3),
        ("level,volume\n".encode("utf-16-be"), 0),
        ("level,volume\n".encode("utf-16-le"), 1),
        ("tr\xe9sor\n".encode("latin-1"), 2),
        (b"level,volume\n" + bytes(4096), 13),
    ],
)
def test_what_is_no_text_is_not_read_as_some(data: bytes, where: int, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(data)
    with pytest.raises(UnreadableError) as caught:
        read_text(tmp_path / "a", 10_000)
    assert caught.value.cause == f"is not UTF-8 text (byte {where}); save it as UTF-8"


def test_a_file_that_is_written_while_it_is_read_is_read_by_halves_by_nobody(tmp_path: Path) -> None:
    """Who saves it writes its first part, and the second while we read."""
    path = tmp_path / "a"
    path.write_text("level,volume\n0,0\n", "utf-8")
    told = "was being written while it was read; try again when it is whole"
    with pytest.raises(UnreadableError, match=told):
        read_bytes_while(path, lambda: path.write_text("level,volume\n0,0\n1,79\n", "utf-8"))
    assert read_text(path, 100) == "level,volume\n0,0\n1,79\n"


def read_bytes_while(path: Path, then: Callable[[], object]) -> bytes:
    """As `read_bytes`, where something happens between the first look at the file and the second."""
    looked = os.fstat

    def look(descriptor: int) -> os.stat_result:
        found = looked(descriptor)
        then()
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fstat", look)
        return read_bytes(path, 100)


def test_lines_come_one_by_one_from_a_file_of_any_length(tmp_path: Path) -> None:
    """50 GB, of which the disk holds the first line."""
    path = tmp_path / "a"
    with path.open("wb") as file:
        file.write(b"first\n")
        file.truncate(50_000_000_000)
    lines = lines_of(path, 1000)
    assert next(lines) == b"first\n"
    with pytest.raises(UnreadableError) as caught:
        next(lines)
    assert caught.value.cause == "line 2 is longer than 1 kB, and none of its kind needs to be"


def test_a_new_file_is_there_wholly_or_not_at_all(tmp_path: Path) -> None:
    """Half a capacity table is a shorter one."""
    path = tmp_path / "a"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, hard))
    try:
        with pytest.raises(OSError, match="File too large"):
            write_new(path, "0,0\n1000,78\n2000,157\n")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert not path.exists()
    write_new(path, "0,0\n1000,78\n2000,157\n")
    with pytest.raises(FileExistsError):
        write_new(path, "0,0\n")
    assert path.read_text("utf-8") == "0,0\n1000,78\n2000,157\n"


def test_a_pipe_holds_up_nobody(tmp_path: Path) -> None:
    """Opened as a file is, it would wait for somebody who writes into it."""
    os.mkfifo(tmp_path / "a")
    said = threading.Event()

    def read() -> None:
        with pytest.raises(UnreadableError):
            read_bytes(tmp_path / "a", 10)
        said.set()

    threading.Thread(target=read, daemon=True).start()
    assert said.wait(20.0)


@pytest.mark.parametrize(("mode", "by_all"), [(0o600, False), (0o640, False), (0o644, True), (0o604, True)])
def test_who_may_read_a_secret(mode: int, by_all: bool, tmp_path: Path) -> None:
    (tmp_path / "a").write_text("secret")
    (tmp_path / "a").chmod(mode)
    assert is_readable_by_all(tmp_path / "a") is by_all
    assert not is_readable_by_all(tmp_path / "b")


def test_what_takes_the_place_of_a_file_is_made_anew_and_is_its_owners_alone(tmp_path: Path) -> None:
    """Whatever lies under the name that it is written by: a link must not lead to another file."""
    other = tmp_path / "other"
    other.write_bytes(b"of somebody else")
    place = tmp_path / "state.json"
    place.write_bytes(b"old")
    (tmp_path / "state.json.unfinished").symlink_to(other)
    replace_whole(str(place), b"new")
    assert (place.read_bytes(), other.read_bytes()) == (b"new", b"of somebody else")
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    folder = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        replace_whole("state.json", b"newer", folder=folder)
    finally:
        os.close(folder)
    assert place.read_bytes() == b"newer"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["other", "state.json"]
