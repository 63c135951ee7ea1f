"""The front page says what is so: its first site and its mistakes are what `check` says, its commands are those there
are, its payload has the members of one, and its lines can be read in a terminal."""

import re
import shlex
from pathlib import Path

import pytest

from gateway.command_line import COMMANDS, main
from gateway.records import ElementUse, Figures
from tests.commands.typed import typed

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
_LONGEST = 132
_BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
Capture = pytest.CaptureFixture[str]


def _block(containing: str, language: str) -> str:
    found: str
    (found,) = [text for kind, text in _BLOCKS if containing in text and kind == language]
    return found


def test_no_line_of_words_is_longer_than_a_terminal() -> None:
    """But for rows of tables, which cannot be broken, and what the program prints as one line."""
    printed = {line for kind, text in _BLOCKS if not kind for line in text.splitlines()}
    lines = [line for line in README.splitlines() if not line.startswith("|") and line not in printed]
    assert [line for line in lines if len(line) > _LONGEST] == []
    assert len(lines) > 150


@pytest.fixture
def first_site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The site file of the page, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "site.yaml"
    path.write_text(_block("site: {name: my-site", "yaml"), "utf-8")
    return path


@pytest.mark.usefixtures("first_site")
def test_the_first_site_is_what_check_says_of_it(capsys: Capture) -> None:
    shown = _block("$ tank-gateway check site.yaml", "").splitlines()
    said = typed(capsys, "check", "site.yaml")
    assert said.code == 0
    assert said.out.splitlines() == shown[1 : shown.index("$ tank-gateway run site.yaml")]


def test_its_mistakes_are_told_in_those_words(capsys: Capture, first_site: Path) -> None:
    text = first_site.read_text("utf-8")
    for right, wrong in (
        ("diameter: 18 m", "diameter: 18 kg"),
        ("15.24 m", "15.24"),
        ("signal: ullage", "signal: ulage"),
    ):
        assert right in text
        text = text.replace(right, wrong, 1)
    (first_site.parent / "mistaken.yaml").write_text(text, "utf-8")
    said = typed(capsys, "check", "mistaken.yaml")
    assert said.code == 2
    assert said.out == _block("mistaken.yaml:8", "")


def _commands_of_the_page() -> list[list[str]]:
    spans = [span for span in re.findall(r"`([^`\n]+)`", README) if span.startswith("tank-gateway ")]
    lines = [line.strip() for _, text in _BLOCKS for line in text.splitlines()]
    lines = [line.removeprefix("$ ").removeprefix(".venv/bin/") for line in lines]
    typed_lines = [line.partition("  #")[0] for line in lines if line.startswith("tank-gateway ")]
    return [shlex.split(text) for text in (*spans, *typed_lines)]


def test_the_table_of_commands_names_each_and_no_other() -> None:
    rows = re.findall(r"^\| `tank-gateway ([a-z-]+).*", README, re.MULTILINE)
    beside = re.findall(r"^\| `tank-gateway [a-z-]+`, `([a-z-]+)` \|", README, re.MULTILINE)
    assert set(rows) | set(beside) == COMMANDS.keys()


@pytest.mark.parametrize("command", COMMANDS)
def test_each_option_of_the_page_is_one_of_its_command(capsys: Capture, command: str) -> None:
    words = [each for each in _commands_of_the_page() if each[1] == command]
    options = {word for each in words for word in each if word.startswith("--")}
    with pytest.raises(SystemExit):
        main([command, "--help"])
    helped = capsys.readouterr().out
    assert [option for option in options if option not in helped] == []


def test_the_inventory_of_the_page_has_as_many_figures_as_there_are() -> None:
    text = _block('"schema": "tank-gateway/inventory/1"', "json")
    figures, elements = text.partition('"figures"')[2].split('"elements"')
    shown = re.findall(r"^    \"(\w+)\": \{\"value\"", figures, re.MULTILINE)
    (more,) = re.findall(r"\.\.\. (\d+) more", figures)
    assert set(shown) < set(Figures._fields)
    assert len(shown) + int(more) == len(Figures._fields)
    assert {"height", *re.findall(r"\"(\w+)\":", elements)} >= {
        field.removesuffix("_m") for field in ElementUse._fields
    }
