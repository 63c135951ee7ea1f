"""The list of deliberate breaks keeps up with the code, and three of them are tried; `make mutants` tries them all."""

from pathlib import Path

import pytest

from tests.mutants.a_break import Break
from tests.mutants.breaks import BREAKS
from tests.mutants.runner import ROOT, copy_program, run_sound, try_break

QUICK = ("element in free water averaged", "result as good as its best input", "ullage taken for innage")
"""Whose tests take next to no time."""


@pytest.mark.parametrize("each", BREAKS, ids=lambda each: each.name)
def test_break_applies(each: Break) -> None:
    text = (ROOT / each.file).read_text("utf-8")
    assert text.count(each.old) == 1
    if each.file.endswith(".py"):
        compile(text.replace(each.old, each.new), each.file, "exec", dont_inherit=True)
    assert each.tests
    assert all((ROOT / name).exists() for name in each.tests)


def test_names_are_distinct() -> None:
    assert len({each.name for each in BREAKS}) == len(BREAKS)


@pytest.mark.timeout(300)  # it runs the tests of three breaks, each in a process of its own
def test_some_breaks_are_noticed_and_a_harmless_change_is_not(tmp_path: Path) -> None:
    copy_program(tmp_path)
    tried = [each for each in BREAKS if each.name in QUICK]
    assert len(tried) == len(QUICK)
    assert run_sound(sorted({test for each in tried for test in each.tests}), tmp_path) is None
    for each in tried:
        assert try_break(each, tmp_path).noticed, each.name
    harmless = tried[0]._replace(new=tried[0].old + "  # the same")
    assert not try_break(harmless, tmp_path).noticed
    assert (tmp_path / harmless.file).read_text("utf-8") == (ROOT / harmless.file).read_text("utf-8")
