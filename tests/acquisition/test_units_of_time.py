"""When something is: nanoseconds of the machine's clocks where polling decides, seconds of the loop behind a link.

They are two clocks, one of which stops while the machine sleeps, so that no instant of one means anything to the other.
What crosses from one side to the other is how long to wait, in seconds: `Link.read` and `Link.connect`.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ACQUISITION = Path(__file__).resolve().parents[2] / "gateway" / "acquisition"
LINKS = sorted({*(ACQUISITION / "links").glob("*.py")} - {ACQUISITION / "links" / "precise_timer.py"})
"""The timer speaks to the kernel, in its unit."""
POLLING = sorted(path for path in ACQUISITION.rglob("*.py") if path.parent.name != "links")
INSTANT = re.compile(r"(?:^|_)(?:now|at|from|since|until|begun|due|latest|earliest)")


def named(source: str) -> Iterator[str]:
    """Every variable, field and argument in the source."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.arg):
            yield node.arg


def nanoseconds(source: str) -> set[str]:
    return {name for name in named(source) if name.endswith("_ns")}


def instants_in_seconds(source: str) -> set[str]:
    return {name for name in named(source) if name.endswith("_s") and INSTANT.search(name.removesuffix("_s"))}


@pytest.mark.parametrize("path", LINKS, ids=lambda path: path.stem)
def test_behind_a_link_nothing_is_in_nanoseconds(path: Path) -> None:
    assert nanoseconds(path.read_text("utf-8")) == set()


@pytest.mark.parametrize("path", POLLING, ids=lambda path: path.stem)
def test_before_a_link_no_instant_is_in_seconds(path: Path) -> None:
    assert instants_in_seconds(path.read_text("utf-8")) == set()


def test_the_rules_can_fail() -> None:
    assert nanoseconds("def read(self, now_ns): self._sent_ns = now_ns") == {"now_ns", "_sent_ns"}
    assert instants_in_seconds("a.retry_at_s = now_s + timeout_s; learned_s = backoff_longest_s") == {
        "retry_at_s",
        "now_s",
    }
    assert len(LINKS) > 10
    assert len(POLLING) > 20
