"""The walk through OWASP's list names tests that are there."""

import re
from pathlib import Path

HERE = Path(__file__).parent


def test_every_test_that_the_walk_names_is_there() -> None:
    text = (HERE / "asvs.md").read_text("utf-8")
    named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", text)
    assert len(named) > 40
    missing = [name for file, name in named if f"def {name}(" not in (HERE / file).read_text("utf-8")]
    assert missing == []


def test_every_line_says_what_shows_it() -> None:
    rows = re.findall(r"^\| (\d[^|]*) \| ([^|]+) \| ([^|]+) \|$", (HERE / "asvs.md").read_text("utf-8"), re.MULTILINE)
    assert len(rows) > 45
    assert [numbers for numbers, _, shown in rows if not (shown.startswith(("`test_", "none")))] == []
