"""Names that look alike, and secrets that everybody may read: not wrong, but to be known."""

import shutil
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.looks import _LATIN, seen_as
from gateway.settings import load_site
from tests.settings.yard import NOW, PARTS, load
from tests.support.users import as_ordinary_user, folder_of_all

__all__ = ["folder_of_all"]

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"


def look_alike(one: str, other: str) -> bool:
    return bool(seen_as(one) & seen_as(other))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TK-1", "ТK-1"),  # Cyrillic te
        ("TK-1", "ТК-1"),  # and ka
        ("TK-1", "Тк-1"),  # a small one, which only looks like a small capital
        ("P-1", "Ρ-1"),  # Greek rho
        ("coax", "соах"),
        ("T0", "t0"),
        ("T0", "TO"),
        ("T0", "To"),
        ("H2O", "H20"),
        ("TI-1", "Tl-1"),
        ("TI-1", "T1-1"),
        ("TK-1", "TK‑1"),  # a hyphen that does not break
        ("TK-1", "TK–1"),  # a dash
        ("TK-1", "ＴＫ－１"),  # of full width
    ],
)
def test_what_looks_alike(one: str, other: str) -> None:
    assert one != other
    assert look_alike(one, other)
    assert look_alike(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TK-1", "TK-2"),
        ("TI-1", "TL-1"),
        ("T-5", "T-S"),
        ("B-2", "B-8"),
        ("TK-1", "TK-01"),
        ("TK-1", "TK-1A"),
        ("ТБ-1", "TB-1"),
    ],
)
def test_what_does_not(one: str, other: str) -> None:
    assert not look_alike(one, other)


@given(st.text(st.characters(min_codepoint=33, max_codepoint=0x500), min_size=1))
def test_a_name_looks_like_itself_in_other_letters(name: str) -> None:
    assert look_alike(name, name)
    assert look_alike(name, name.swapcase()) or name.swapcase().upper() != name.upper()
    latin = {chr(seen): chr(code) for code, seen in _LATIN.items()}
    assert look_alike(name, "".join(latin.get(letter, letter) for letter in name))


def test_the_letters_are_those_of_other_scripts() -> None:
    for code, seen in _LATIN.items():
        name = unicodedata.name(chr(code))
        assert name.startswith(("CYRILLIC", "GREEK")) or unicodedata.category(chr(code)) in ("Pd", "Sm"), name
        assert chr(seen).isascii()


def test_names_that_look_alike_are_warned_of_in_their_section(tmp_path: Path) -> None:
    more = "lines:\n  North: {address: 192.0.2.30:502}\n  NORTH: {address: 192.0.2.31:502}\n"
    warned = [each for each in warnings_of(tmp_path, HEAD + more) if "looks like" in each]
    assert warned == [
        f"{tmp_path}/site.yaml:5: lines.NORTH: looks like North of line 4; rename one of the two",
        f"{PARTS}/instruments.yaml:2: lines.north: looks like North of {tmp_path}/site.yaml:4; rename one of the two",
    ]


def warnings_of(folder: Path, text: str) -> tuple[str, ...]:
    return load(folder, text).warnings


def test_the_letter_that_the_eye_cannot_tell_is_named(tmp_path: Path) -> None:
    text = f"{HEAD}lines:\n  nоrth: {{address: 192.0.2.30:502}}\n"
    (warned,) = [each for each in warnings_of(tmp_path, text) if "looks like" in each]
    assert warned.endswith(": о in nоrth is cyrillic small letter o; rename one of the two")


MQTT = """
delivery:
  mqtt: {address: 127.0.0.1:1883, user_name: u, password_file: secret, tls: {certificate: pem, key: key}}
"""


def test_a_secret_that_everybody_may_read_is_warned_of(tmp_path: Path) -> None:
    for name in ("secret", "pem", "key"):
        (tmp_path / name).write_text("x")
        (tmp_path / name).chmod(0o644)
    may = "every user of this machine may read the secret in"
    assert sorted(warnings_of(tmp_path, HEAD + MQTT)) == [
        f"{tmp_path}/site.yaml:5: delivery.mqtt.password_file: {may} {tmp_path}/secret; chmod 0600 takes that away",
        f"{tmp_path}/site.yaml:5: delivery.mqtt.tls.key: {may} {tmp_path}/key; chmod 0600 takes that away",
    ]
    for name in ("secret", "key"):
        (tmp_path / name).chmod(0o640)
    assert warnings_of(tmp_path, HEAD + MQTT) == ()


def test_so_is_the_key_of_a_line(tmp_path: Path) -> None:
    for name in ("ca", "pem", "key"):
        (tmp_path / name).write_text("x")
        (tmp_path / name).chmod(0o644)
    line = "{address: 192.0.2.30:802, tls: {ca: ca, certificate: pem, key: key}"
    text = f"{HEAD}lines:\n  south: {line}, standby: {line.replace('.30', '.31')}}}}}\n"
    keys = [each.split(": ")[1] for each in warnings_of(tmp_path, text) if "may read the secret" in each]
    assert keys == ["lines.south.tls.key", "lines.south.standby.tls.key"]


def test_a_secret_that_this_user_may_not_read_is_said(folder_of_all: Path) -> None:
    """An ordinary user's `check` of the file that the service runs by, whose secrets systemd hands over."""
    (folder_of_all / "closed").mkdir()
    (folder_of_all / "closed" / "secret").write_text("x")
    (folder_of_all / "closed").chmod(0)
    (folder_of_all / "own").write_text("x")
    (folder_of_all / "own").chmod(0)
    mqtt = "{address: 127.0.0.1:1883, user_name: u, password_file: closed/secret, tls: {ca: own}}"
    folder_of_all.chmod(0o777)
    for part in ("yard.yaml", "tank.yaml", "site.yaml", "instruments.yaml", "products.yaml"):
        shutil.copy(PARTS / part, folder_of_all)
        (folder_of_all / part).chmod(0o644)
    with as_ordinary_user():
        found = load_as_it_is(folder_of_all, f"include: [yard.yaml, tank.yaml]\ndelivery: {{mqtt: {mqtt}}}\n")
    assert sorted(each.partition("mqtt.")[2] for each in found) == [
        f"password_file: {folder_of_all}/closed/secret may not be read by this user",
        f"tls.ca: {folder_of_all}/own may not be read by this user",
    ]


def load_as_it_is(folder: Path, text: str) -> tuple[str, ...]:
    path = folder / "top.yaml"
    path.write_text(text, "utf-8")
    return load_site(path, now=NOW).warnings
