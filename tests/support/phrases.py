"""Finds what a reason says that is not a phrase which never changes: only the ast module reads the code.

A phrase is a literal, a name in capitals for one, one of two, or a row of a table of them. What is in it is a value.
"""

import ast
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from string import Formatter
from typing import NamedTuple

__all__ = ["Broken", "Phrase", "broken_phrases", "phrases_in", "texts_read"]

TAKES_PHRASE: Mapping[str, int] = {
    "because": 1,
    "Reason": 1,
    "not_applicable": 0,
    "from_last_good": 4,
    "unwatched": 4,
    "_last_of": 1,
}
"""By the name of what is called, which of its arguments is a phrase. One that is called `phrase` is one anywhere."""
GIVEN: Mapping[str, frozenset[str]] = {"from_last_good": frozenset({"age"})}
"""Values that it puts into the phrase itself."""
_GIVE_VALUES = frozenset({"because", "Reason", "not_applicable", "from_last_good"})
"""What is called with the values of its phrase."""
_PASSED_ON = frozenset({"phrase"})
"""A parameter of that name takes what its caller is looked at for."""


class Broken(NamedTuple):
    """A place that breaks the rule."""

    module: str
    line: int
    why: str


class Phrase(NamedTuple):
    """A phrase and where it stands."""

    module: str
    line: int
    text: str


def broken_phrases(root: Path, package: str) -> Iterator[Broken]:
    """Each phrase of `package` (`gateway.calculation`) under `root` that changes, or of which a value is not given."""
    for module, call, argument in _phrase_arguments(root, package):
        found = _texts(root, module, argument)
        if isinstance(found, str):
            yield Broken(module, call.lineno, found)
            continue
        for text in found:
            yield from _wrongly_filled(module, call, text)


def phrases_in(root: Path, package: str) -> Iterator[Phrase]:
    """Every phrase of a package."""
    for module, call, argument in _phrase_arguments(root, package):
        found = _texts(root, module, argument)
        if not isinstance(found, str):
            for text in found:
                yield Phrase(module, call.lineno, text)


def texts_read(root: Path, package: str) -> Iterator[Broken]:
    """Each `.text` that a package reads: a sentence is made where people read it."""
    for module, tree in _modules(root, package):
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and node.attr == "text" and isinstance(node.ctx, ast.Load):
                yield Broken(module, node.lineno, f"reads {ast.unparse(node)}")


def _phrase_arguments(root: Path, package: str) -> Iterator[tuple[str, ast.Call, ast.expr]]:
    for module, tree in _modules(root, package):
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            named = [each.value for each in node.keywords if each.arg == "phrase"]
            place = TAKES_PHRASE.get(name)
            placed = [] if place is None else node.args[place : place + 1]
            yield from ((module, node, each) for each in (named or placed))


def _texts(root: Path, module: str, argument: ast.expr) -> list[str] | str:
    """The phrases that may stand there, or what is wrong."""
    match argument:
        case ast.Constant(value=str(text)):
            return [text]
        case ast.IfExp(body=one, orelse=other):
            found = [_texts(root, module, each) for each in (one, other)]
            wrong = [each for each in found if isinstance(each, str)]
            return wrong[0] if wrong else [text for each in found if not isinstance(each, str) for text in each]
        case ast.Subscript(value=ast.Name(id=name)) if name.isupper():
            return _constant(root, module, name)
        case ast.Name(id=name) if name.isupper():
            return _constant(root, module, name)
        case ast.Name(id=name) | ast.Attribute(attr=name) if name in _PASSED_ON:
            return []
        case _:
            return f"{ast.unparse(argument)} is no phrase that never changes"


def _constant(root: Path, module: str, name: str) -> list[str] | str:
    """What a name in capitals stands for, here or where it is imported from."""
    tree = _tree(_path(root, module))
    for node in tree.body:
        if isinstance(node, ast.ImportFrom) and node.module and name in {each.name for each in node.names}:
            return _constant(root, node.module, name)
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if isinstance(target, ast.Name) and target.id == name and isinstance(node, ast.Assign | ast.AnnAssign):
            held = node.value
            rows = held.values if isinstance(held, ast.Dict) else [held]
            texts = [row.value for row in rows if isinstance(row, ast.Constant) and isinstance(row.value, str)]
            if len(texts) == len(rows):
                return texts
    return f"{name} is no phrase that never changes"


def _wrongly_filled(module: str, call: ast.Call, text: str) -> Iterator[Broken]:
    name = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
    if name not in _GIVE_VALUES or any(each.arg is None for each in call.keywords):
        # Its values are given elsewhere.
        return
    given = {each.arg for each in call.keywords if each.arg not in ("phrase", "values")} | GIVEN.get(name, frozenset())
    told = {field for _, field, _, _ in Formatter().parse(text) if field is not None}
    if not given and name == "Reason":
        # A phrase without values is told as it stands.
        return
    if given != told:
        yield Broken(module, call.lineno, f"'{text}' tells {sorted(told)} and is given {sorted(map(str, given))}")


def _modules(root: Path, package: str) -> Iterator[tuple[str, ast.Module]]:
    start = root / Path(*package.split("."))
    for path in [start.with_suffix(".py")] if start.with_suffix(".py").exists() else sorted(start.rglob("*.py")):
        yield ".".join(path.relative_to(root).with_suffix("").parts), _tree(path)


def _path(root: Path, module: str) -> Path:
    path = root / Path(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))
