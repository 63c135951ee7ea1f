"""Files that people name: a sentence for whatever is wrong with one, and never more than there should be in it."""

import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.files import UnreadableError, is_readable_by_all, read_bytes, read_text, trouble_with
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
