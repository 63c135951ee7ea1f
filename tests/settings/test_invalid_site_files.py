"""One file per mistake in tests/invalid_site_files; messages.txt there holds the words for each, to the letter."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.errors import SettingsError
from gateway.settings import load_site

FOLDER = Path(__file__).parent.parent / "invalid_site_files"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def _read_messages() -> dict[str, tuple[str, ...]]:
    sections: dict[str, list[str]] = {}
    current: list[str] = []
    for line in (FOLDER / "messages.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("[") and line.endswith("]"):
            current = sections.setdefault(line[1:-1], [])
        elif line and not line.startswith("#"):
            current.append(line)
    return {name: tuple(lines) for name, lines in sections.items()}


MESSAGES = _read_messages()


@pytest.mark.parametrize("name", sorted(MESSAGES))
def test_says_exactly_what_is_wrong(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    with pytest.raises(SettingsError) as caught:
        load_site(f"{name}.yaml", now=NOW)
    assert caught.value.mistakes == MESSAGES[name]


def test_every_file_has_its_messages() -> None:
    assert sorted(MESSAGES) == sorted(file.stem for file in FOLDER.glob("*.yaml"))
    assert all(MESSAGES.values())


def test_the_parts_around_the_mistakes_are_right(tmp_path: Path) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(f"include_from: {FOLDER}\ninclude: [{FOLDER}/parts/yard.yaml, {FOLDER}/parts/tank.yaml]\n")
    settings = load_site(site, now=NOW)
    assert [tank.plan.tank for tank in settings.tanks] == ["TK-1"]
    assert settings.warnings == ()


def test_several_mistakes_are_reported_together_in_the_order_of_lines() -> None:
    lines = [int(message.split(":")[1]) for message in MESSAGES["several_mistakes"]]
    assert len(lines) == 8
    assert lines == sorted(lines)
