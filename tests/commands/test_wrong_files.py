"""Whatever a file is that a site names: `check`, by root and by an ordinary user, ends in one sentence about it."""

import os
import re
import socket
from collections.abc import Callable
from contextlib import nullcontext
from functools import partial
from pathlib import Path

import pytest

from tests.commands.typed import Said, typed
from tests.support.users import as_ordinary_user, folder_of_all

__all__ = ["folder_of_all"]

SITE = """site: {{name: harbour, time_zone: UTC}}
include: [{part}]
lines: {{north: {{address: "127.0.0.1:1"}}}}
instruments:
  LT-1:
    {{line: north, unit: 1, period: 1 s,
     signals: {{innage: {{table: holding_registers, address: 0, type: uint16, unit: mm}}}}}}
products:
  diesel: {{method: expansion_coefficient, expansion: 0.000846 /degC, reference_temperature: 15 degC,
    reference_density: 838 kg/m3}}
tanks:
  TK-1: {{product: diesel, capacity_table: {table}, reference_height: 11 m, free_water: none,
    level: {{instrument: LT-1, signal: innage, measures: innage}}}}
delivery:
  mqtt: {{address: "127.0.0.1:1", user_name: u, password_file: {secret}}}
"""
TABLE = """# name: TK-1
# level: mm
# volume: m3
# datum: datum plate
# date: not stated
# reference temperature: 15 degC
# liquid head: not stated
# roof: not included
# heel: none
level,volume
0,0
5000,500
11000,1100
"""
GOOD = {"part": "lines: {south: {address: '127.0.0.1:2'}}\n", "table": TABLE, "secret": "word\n"}
ROLES = ("site", *GOOD)

Make = Callable[[Path, bytes], object]


def sparse(path: Path, text: bytes) -> None:
    """50 GB, of which the disk holds next to nothing."""
    with path.open("wb") as file:
        file.write(text)
        file.truncate(50_000_000_000)


def forbidden(path: Path, text: bytes) -> None:
    path.write_bytes(text)
    path.chmod(0)


def in_halves(path: Path, text: bytes) -> None:
    """As a disk may leave what was being written when the power went."""
    path.write_bytes(text[:10] + bytes(4096))


def bound(path: Path, _: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


NO_FILE = "no regular file"
NO_TEXT = "is not UTF-8 text"
WRONG: tuple[tuple[Make, str], ...] = (
    (lambda path, _: path.mkdir(), "is a directory"),
    (lambda path, _: os.mkfifo(path), NO_FILE),
    (bound, NO_FILE),
    (lambda path, _: path.symlink_to(path), "too many levels of symbolic links"),
    (lambda path, _: path.symlink_to("gone"), "there is no"),
    # What is included may not even be elsewhere.
    (lambda path, _: path.symlink_to("/dev/zero"), f"{NO_FILE}|lies outside the folder of the site file"),
    (sparse, "is larger than"),
    (lambda path, text: path.write_bytes(text.decode().encode("utf-16")), NO_TEXT),
    (lambda path, text: path.write_bytes(text.decode().encode("utf-16-le")), NO_TEXT),
    (lambda path, text: path.write_bytes(text + b"\xe9"), NO_TEXT),
    (in_halves, NO_TEXT),
)
RIGHT: tuple[Callable[[bytes], bytes], ...] = (
    bytes,
    lambda text: b"\xef\xbb\xbf" + text,
    lambda text: text.replace(b"\n", b"\r\n"),
    lambda text: text.replace(b"\n", b"\r"),
    lambda text: b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n").rstrip(),
)


def written(folder: Path, role: str, make: Make) -> Path:
    """A site in which the file of that role is made so, and the others are as they should be."""
    folder.mkdir()
    folder.chmod(0o755)
    text = SITE.format(**{name: name for name in GOOD})
    for name, good in {**GOOD, "site": text}.items():
        if name == role:
            make(folder / name, good.encode())
        else:
            (folder / name).write_text(good, "utf-8")
    return folder / "site"


def check(capsys: pytest.CaptureFixture[str], site: Path, *, ordinary: bool) -> Said:
    with as_ordinary_user() if ordinary else nullcontext():
        return typed(capsys, "check", str(site))


def sentences(said: Said, file: Path) -> list[str]:
    lines = [line for line in (said.out + said.err).splitlines() if str(file) in line]
    return [line for line in lines if "every user of this machine may read" not in line]


@pytest.fixture(autouse=True)
def loaded(capsys: pytest.CaptureFixture[str], folder_of_all: Path) -> None:
    """All that the command needs of the interpreter, whose own folder may be root's alone."""
    site = written(folder_of_all / "good", "", forbidden)
    assert check(capsys, site, ordinary=False).code == 0


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("ordinary", [False, True])
@pytest.mark.parametrize(("make", "expected"), WRONG)
def test_whatever_is_in_its_place_ends_in_a_sentence(
    make: Make, expected: str, ordinary: bool, role: str, capsys: pytest.CaptureFixture[str], folder_of_all: Path
) -> None:
    site = written(folder_of_all / "a", role, make)
    said = check(capsys, site, ordinary=ordinary)
    (sentence,) = sentences(said, site.parent / role)
    assert re.search(expected, sentence)
    assert said.code == (0 if role == "secret" else 2)


@pytest.mark.parametrize("role", ROLES)
def test_what_an_ordinary_user_may_not_read(role: str, capsys: pytest.CaptureFixture[str], folder_of_all: Path) -> None:
    site = written(folder_of_all / "a", role, forbidden)
    said = check(capsys, site, ordinary=True)
    (sentence,) = sentences(said, site.parent / role)
    assert "may not be read by this user" in sentence
    assert said.code == (0 if role == "secret" else 2)


@pytest.mark.parametrize("role", ROLES)
def test_what_editors_do_to_a_text_changes_nothing(
    role: str, capsys: pytest.CaptureFixture[str], folder_of_all: Path
) -> None:
    heard = []
    for number, change in enumerate(RIGHT):
        site = written(folder_of_all / str(number), role, partial(changed, change))
        said = check(capsys, site, ordinary=True)
        assert said.code == 0, said
        heard.append(said.out.replace(str(site.parent), ""))
    assert heard == heard[:1] * len(RIGHT)


def changed(change: Callable[[bytes], bytes], path: Path, text: bytes) -> None:
    path.write_bytes(change(text))
