"""What the code of the gateway says in texts: constants, and f-strings with their holes."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import NamedTuple

__all__ = ["Said", "constants", "formatted", "hole_names", "outline", "phrases_with_values", "words_of"]

_HOLE = re.compile(r"\{[^{}]*\}")
_UNIT = re.compile(r"\{\} (?:mm|m3|m|degC|kg/m3|kPa|Pa|t|s|min|h|d|MB|GB|UTC)(?![\w/])")


class Said(NamedTuple):
    """A text and where it stands."""

    module: str
    line: int
    text: str


def outline(text: str) -> str:
    """A phrase or f-string without names, forms and units of its values: what of it is words."""
    return _UNIT.sub("{}", _HOLE.sub("{}", text))


def hole_names(text: str) -> list[str]:
    """The names of the values of a phrase; empty where it is none."""
    try:
        names = [name for _, name, _, _ in Formatter().parse(text) if name is not None]
    except ValueError:
        return []
    return names if all(name.isidentifier() for name in names) else []


def words_of(text: str) -> set[str]:
    """Lower case, without what stands in braces."""
    return {word.lower() for word in re.findall(r"[A-Za-z]+", _HOLE.sub(" ", text))}


def constants(root: Path, *packages: str) -> Iterator[Said]:
    """Every constant text, docstrings left out; those within f-strings are `formatted`."""
    for module, tree in _modules(root, packages):
        skipped = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                skipped |= {id(each) for each in node.values if isinstance(each, ast.Constant)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
                yield Said(module, node.lineno, node.value)


def formatted(root: Path, *packages: str) -> Iterator[Said]:
    """Every f-string, each value in it as `{}`."""
    for module, tree in _modules(root, packages):
        forms = {id(node.format_spec) for node in ast.walk(tree) if isinstance(node, ast.FormattedValue)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr) and id(node) not in forms:
                parts = (each.value if isinstance(each, ast.Constant) else "{}" for each in node.values)
                yield Said(module, node.lineno, "".join(map(str, parts)))


def phrases_with_values(root: Path, *packages: str) -> Iterator[Said]:
    """Every constant that is a phrase with values in it, wherever it is assigned before it is a reason's."""
    for each in constants(root, *packages):
        if " " in each.text and hole_names(each.text):
            yield each


def _modules(root: Path, packages: tuple[str, ...]) -> Iterator[tuple[str, ast.Module]]:
    for package in packages:
        start = root / Path(*package.split("."))
        paths = [start.with_suffix(".py")] if start.with_suffix(".py").exists() else sorted(start.rglob("*.py"))
        for path in paths:
            yield ".".join(path.relative_to(root).with_suffix("").parts), ast.parse(path.read_text("utf-8"))
