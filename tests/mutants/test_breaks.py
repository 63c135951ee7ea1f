"""The list of deliberate breaks keeps up with the code: `make mutants` tries them, this only looks."""

import py_compile
from pathlib import Path

import pytest

from tests.mutants.breaks import BREAKS, Break

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.mark.parametrize("each", BREAKS, ids=lambda each: each.name)
def test_break_applies(each: Break, tmp_path: Path) -> None:
    text = (ROOT / each.file).read_text("utf-8")
    assert text.count(each.old) == 1
    broken = tmp_path / "broken.py"
    broken.write_text(text.replace(each.old, each.new), "utf-8")
    py_compile.compile(str(broken), doraise=True)
    assert all((ROOT / name).exists() for name in each.tests)


def test_names_are_distinct() -> None:
    assert len({each.name for each in BREAKS}) == len(BREAKS)
