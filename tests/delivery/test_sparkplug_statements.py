"""The table of the specification's statements: none is left out, each has a test that exists or says why not."""

import re
from pathlib import Path

HERE = Path(__file__).parent
_WHERE = (
    *HERE.glob("test_sparkplug*.py"),
    HERE.parent / "settings" / "test_invalid_site_files.py",
    HERE.parent / "ledger" / "test_outbox.py",
)


def _rows() -> list[tuple[str, str]]:
    text = (HERE / "sparkplug_statements.md").read_text("utf-8")
    return re.findall(r"^\| (tck-id-\S+) \| (.+) \|$", text, re.MULTILINE)


def test_no_statement_is_left_out_and_none_stands_twice() -> None:
    ids = (HERE / "sparkplug_ids.txt").read_text("utf-8").split()
    assert len(ids) == len(set(ids)) > 200
    assert [row[0] for row in _rows()] == ids


def test_each_test_that_is_named_exists() -> None:
    tests = {name for file in _WHERE for name in re.findall(r"def (test_\w+)", file.read_text("utf-8"))}
    for statement, held_by in _rows():
        named = re.findall(r"`(test_\w+)`", held_by)
        assert bool(named) is not held_by.startswith(("not applicable: ", "not held: ")), statement
        assert set(named) <= tests, statement
