"""The oracle shares no code with what it judges: it imports nothing of the program, and neither does the world."""

import ast
from pathlib import Path

import pytest

_HERE = Path(__file__).parent
_DESCRIPTIONS = ("tests.site_fuzz.products", "tests.site_fuzz.tanks", "tests.site_fuzz.states")
_ORACLE = "tests.site_fuzz.oracle"
_WORLD = "tests.site_fuzz.world"
_ORACLE_AND_DESCRIPTIONS = sorted(
    [*(_HERE / "oracle").glob("*.py"), *(_HERE / f"{name}.py" for name in ("products", "tanks", "states"))]
)
_OUTSIDE = ("numpy", "scipy", "CoolProp")
_STANDARD = frozenset(
    {"argparse", "collections", "collections.abc", "dataclasses", "functools", "itertools", "math", "pathlib", "random"}
    | {"struct", "typing"}
)


def imported(text: str) -> set[str]:
    """Every module that a source imports, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, "absolute imports only"
            found.add(node.module or "")
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "__import__":
            found.add("__import__")
    return found


def foreign(text: str, *own: str) -> set[str]:
    """What a source imports beyond standard modules, libraries of numbers and its own packages."""
    allowed = (*_OUTSIDE, *_DESCRIPTIONS, *own)
    return {
        name
        for name in imported(text) - _STANDARD
        if not any(name == part or name.startswith(f"{part}.") for part in allowed)
    }


@pytest.mark.parametrize("path", _ORACLE_AND_DESCRIPTIONS, ids=lambda path: path.name)
def test_the_oracle_and_the_descriptions_import_nothing_of_the_program(path: Path) -> None:
    assert foreign(path.read_text("utf-8"), _ORACLE) == set()


@pytest.mark.parametrize("path", sorted((_HERE / "world").glob("*.py")), ids=lambda path: path.name)
def test_the_world_imports_nothing_of_the_program(path: Path) -> None:
    assert foreign(path.read_text("utf-8"), _ORACLE, _WORLD) == set()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("import gateway.calculation.quantities.mass", {"gateway.calculation.quantities.mass"}),
        ("def f():\n    from gateway.calculation import shell", {"gateway.calculation"}),
        ("from simulators.tank import Tank", {"simulators.tank"}),
        ("from tests.site_fuzz.world.dice import Dice", {"tests.site_fuzz.world.dice"}),
        ("from tests.support.plans import NOON", {"tests.support.plans"}),
        ("import importlib", {"importlib"}),
        ("__import__('gateway')", {"__import__"}),
        ("import math\nfrom tests.site_fuzz.oracle.air import air_factor", set()),
    ],
)
def test_that_rule_can_fail(text: str, found: set[str]) -> None:
    assert foreign(text, _ORACLE) == found
