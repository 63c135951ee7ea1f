"""Includes become one tree, messages keep the name of the file they are about, overrides replace values by path."""

from pathlib import Path

import pytest

from gateway.errors import SettingsError
from gateway.settings.reading.document import Mistakes, dotted, read_document


def _write(folder: Path, **files: str) -> None:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")


def test_sections_of_included_files_are_joined(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    _write(tmp_path, site="include: [parts/a.yaml]\ntanks:\n  T-1: {product: x}\n")
    _write(tmp_path / "parts", a="include: b.yaml\ntanks:\n  T-2: {product: y}\n", b="lines: {l: {}}\n")
    document, mistakes = read_document(tmp_path / "site.yaml", {})
    assert mistakes == []
    assert document.data(()) == {"tanks": {"T-1": {"product": "x"}, "T-2": {"product": "y"}}, "lines": {"l": {}}}
    assert str(document.place(("tanks", "T-2", "product"))) == f"{tmp_path}/parts/a.yaml:3"
    assert str(document.place(("tanks", "T-1", "missing"))) == f"{tmp_path}/site.yaml:3"


def test_a_file_that_comes_with_the_program_is_included_from_anywhere(tmp_path: Path) -> None:
    _write(tmp_path, site="include: products/refined.yaml\n")
    document, mistakes = read_document(tmp_path / "site.yaml", {})
    assert mistakes == []
    assert document.text(("products", "diesel", "method")) == "api_11_1_2004"
    (tmp_path / "products").mkdir()
    _write(tmp_path / "products", refined="products: {mine: {}}\n")
    document, _ = read_document(tmp_path / "site.yaml", {})
    assert document.data(()) == {"products": {"mine": {}}}


def test_a_name_may_stand_in_one_file_only(tmp_path: Path) -> None:
    _write(tmp_path, site="include: a.yaml\ntanks:\n  T-1: {}\n", a="\ntanks:\n  T-1: {}\n")
    _, mistakes = read_document(tmp_path / "site.yaml", {})
    first = f"{tmp_path}/site.yaml:3"
    assert mistakes == [f"{tmp_path}/a.yaml:3: tanks.T-1: is already given at {first}; keep one of the two"]


def test_including_in_a_circle_ends(tmp_path: Path) -> None:
    _write(tmp_path, site="include: a.yaml\n", a="include: b.yaml\n", b="include: site.yaml\n")
    _, mistakes = read_document(tmp_path / "site.yaml", {})
    assert mistakes == [f"{tmp_path}/b.yaml:1: include: site.yaml includes itself; take one of the includes out"]


def test_including_too_deep_ends(tmp_path: Path) -> None:
    for number in range(12):
        _write(tmp_path, **{f"f{number}": f"include: f{number + 1}.yaml\n"})
    _, mistakes = read_document(tmp_path / "f0.yaml", {})
    assert mistakes == [f"{tmp_path}/f8.yaml:1: include: more than 8 files deep; include it from the top"]


def test_a_broken_include_is_a_mistake_among_others(tmp_path: Path) -> None:
    _write(tmp_path, site="include: [a.yaml, {b: c}]\nx: 1\nx: 2\n", a="tanks: [\n")
    _, mistakes = read_document(tmp_path / "site.yaml", {})
    assert len(mistakes) == 3
    assert mistakes[0] == f"{tmp_path}/site.yaml:3: x: is already given in line 2; keep one of the two"
    assert mistakes[1].startswith(f"{tmp_path}/a.yaml:2: is not valid YAML")
    assert mistakes[2] == f"{tmp_path}/site.yaml:1: include: give a file name or a list of file names"


def test_unreadable_files(tmp_path: Path) -> None:
    (tmp_path / "latin.yaml").write_bytes(b"site: {name: \xe9}\n")
    with pytest.raises(SettingsError, match="is not UTF-8 text"):
        read_document(tmp_path / "latin.yaml", {})
    with pytest.raises(SettingsError, match="cannot be read: no such file"):
        read_document(tmp_path / "none.yaml", {})
    with pytest.raises(SettingsError, match="cannot be read: is a directory"):
        read_document(tmp_path, {})


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_bytes(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n")
    document, mistakes = read_document(tmp_path / "site.yaml", {})
    assert (document.data(()), mistakes) == ({"a": "1", "b": "2"}, [])


def test_overrides_replace_values(tmp_path: Path) -> None:
    _write(tmp_path, site="tanks:\n  T-1.north: {e: [{h: 1 m}, {h: 2 m}]}\n  T-1: {north: {x: 1}}\n")
    overrides = {"tanks.T-1.north.e.2.h": "9 m", "tanks.T-1.north.x": "7"}
    document, mistakes = read_document(tmp_path / "site.yaml", overrides)
    assert mistakes == []
    assert document.data(("tanks", "T-1.north", "e", 1, "h")) == "9 m"
    assert document.data(("tanks", "T-1", "north", "x")) == "7"


def test_an_override_may_be_written_as_messages_write_it(tmp_path: Path) -> None:
    _write(tmp_path, site="tanks: {T-1: {e: [{h: 1 m}]}}\n")
    path = ("tanks", "T-1", "e", 0, "h")
    document, _ = read_document(tmp_path / "site.yaml", {dotted(path): "9 m"})
    assert document.text(path) == "9 m"


@pytest.mark.parametrize("key", ["tanks.T-2.x", "tanks.T-1", "tanks", "", "tanks.T-1.x.y", "tanks.T-1.e.2"])
def test_an_override_of_nothing_is_a_mistake(tmp_path: Path, key: str) -> None:
    _write(tmp_path, site="tanks: {T-1: {x: 1, e: [1]}}\n")
    _, mistakes = read_document(tmp_path / "site.yaml", {key: "2"})
    said = f"override {key}: the site file has no such value; give the path of a value in it"
    assert mistakes == [f"{tmp_path}/site.yaml: {said}"]


def test_mistakes_come_once_in_the_order_of_files_and_lines(tmp_path: Path) -> None:
    _write(tmp_path, site="include: a.yaml\nx: 1\ny: 2\n", a="web: 3\n")
    document, _ = read_document(tmp_path / "site.yaml", {})
    mistakes = Mistakes(document)
    mistakes.add(("y",), "two")
    mistakes.add(("x",), "one")
    mistakes.add(("web",), "three")
    mistakes.add(("x",), "one")
    mistakes.foreign(["no place at all"])
    assert [line.removeprefix(f"{tmp_path}/") for line in mistakes.lines()] == [
        "site.yaml:2: x: one",
        "site.yaml:3: y: two",
        "a.yaml:1: web: three",
        "no place at all",
    ]
