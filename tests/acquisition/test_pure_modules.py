"""What says of itself that it is pure reaches no clock, no loop, no file and no wire, by whatever it imports."""

import ast
from pathlib import Path

import pytest

from tests.support.layering import Tree

IMPURE = frozenset(
    {
        "asyncio",
        "concurrent",
        "fcntl",
        "io",
        "logging",
        "os",
        "select",
        "selectors",
        "serial",
        "signal",
        "socket",
        "ssl",
    }
    | {"structlog", "subprocess", "tempfile", "termios", "threading", "time"}
)


@pytest.fixture(scope="module")
def tree() -> Tree:
    return Tree(Path(__file__).resolve().parents[2], packages=("gateway",))


def reached(tree: Tree, name: str, seen: set[str]) -> set[str]:
    """Everything that a module imports, itself or by those of ours that it imports."""
    for imported in tree.imports(tree.modules[name]) if name in tree.modules else ():
        if imported not in seen:
            seen.add(imported)
            reached(tree, imported, seen)
    return seen


def test_modules_of_acquisition_that_say_they_are_pure_are(tree: Tree) -> None:
    pure = [
        module.name
        for module in tree.within("gateway.acquisition")
        if (ast.get_docstring(module.tree) or "").startswith("Pure:")
    ]
    assert "gateway.acquisition.links.exchange_machine" in pure
    assert len(pure) > 15
    found = {name: reached(tree, name, set()) & IMPURE for name in pure}
    assert not {name: sorted(what) for name, what in found.items() if what}


def test_and_those_that_do_not_are_told_from_them(tree: Tree) -> None:
    assert "asyncio" in reached(tree, "gateway.acquisition.links.half_duplex", set())
