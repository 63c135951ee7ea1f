"""YAML with its line numbers: every scalar stays text, a key may stand once, and `include` brings in other files."""

import os
from collections.abc import Iterator
from pathlib import Path

import yaml

from simulators.errors import ScenarioError
from simulators.text_file import read_text

__all__ = ["Place", "read_yaml"]

Place = tuple[str, int]
"""File and line."""


def read_yaml(path: Path, shipped: Path | None = None) -> tuple[dict[str, object], dict[tuple[str, ...], Place]]:
    """Return the file's mapping, with the files it includes below it, and where each key stands.

    What the file says itself goes before what it includes; mappings are merged key by key, lists are replaced. A file
    that is included stands beside the one that includes it, or in the folder `shipped`.
    Raises ScenarioError naming file and line.
    """
    return _read(path, (), shipped, "")


def _read(
    path: Path, above: tuple[Path, ...], shipped: Path | None, where: str
) -> tuple[dict[str, object], dict[tuple[str, ...], Place]]:
    path = Path(os.path.realpath(path))
    if path in above:
        raise ScenarioError(f"{where}{path.name} includes itself; leave it out")
    text = read_text(path, where)
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as exc:
        line = text.count("\n", 0, exc.position) + 1
        sign = f"#x{exc.character:04x}"
        raise ScenarioError(f"{path.name}:{line}: holds the control character {sign}; take it out") from exc
    except yaml.MarkedYAMLError as exc:
        line = exc.problem_mark.line + 1 if exc.problem_mark is not None else 1
        raise ScenarioError(f"{path.name}:{line}: not YAML: {exc.problem}") from exc
    if not isinstance(root, yaml.MappingNode):
        raise ScenarioError(f"{path.name}:1: a scenario is a mapping; begin with a line like 'lines:'")
    places: dict[tuple[str, ...], Place] = {}
    own = _plain(root, path.name, (), places)
    assert isinstance(own, dict)
    tree: dict[str, object] = {}
    below: dict[tuple[str, ...], Place] = {}
    place = places.get(("include",), (path.name, 1))
    for name in _names(own.pop("include", []), place):
        beside = path.parent / name
        elsewhere = shipped is not None and not beside.exists() and (shipped / name).is_file()
        file = shipped / name if shipped is not None and elsewhere else beside
        included, included_places = _read(file, (*above, path), shipped, f"{place[0]}:{place[1]}: include: ")
        tree = _merge(tree, included)
        below |= included_places
    return _merge(tree, own), below | places


def _names(value: object, place: Place) -> Iterator[str]:
    for name in [value] if isinstance(value, str) else value if isinstance(value, list) else [None]:
        if not isinstance(name, str):
            raise ScenarioError(f"{place[0]}:{place[1]}: include: gives no file names; give them like [ten_tanks.yaml]")
        yield name


def _plain(node: yaml.Node, file: str, path: tuple[str, ...], places: dict[tuple[str, ...], Place]) -> object:
    places.setdefault(path, (file, node.start_mark.line + 1))
    if isinstance(node, yaml.ScalarNode):
        return node.value
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, file, (*path, str(index)), places) for index, item in enumerate(node.value)]
    result: dict[str, object] = {}
    for key_node, value_node in node.value:
        key, line = str(key_node.value), key_node.start_mark.line + 1
        if key in result:
            raise ScenarioError(f"{file}:{line}: {'.'.join((*path, key))}: stands twice; keep one of them")
        places[(*path, key)] = (file, line)
        result[key] = _plain(value_node, file, (*path, key), places)
    return result


def _merge(below: dict[str, object], above: dict[str, object]) -> dict[str, object]:
    merged = dict(below)
    for key, value in above.items():
        old = merged.get(key)
        merged[key] = _merge(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return merged
