"""The reference scenario names everything that a scenario file knows; the JSON Schema says the same; every mistake made
in it is told at its place."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from simulators import ScenarioError, load_scenario, scenario_names, scenario_schema
from simulators.fault_options import fault_schemas
from simulators.faults import FAULTS, Garbled
from simulators.scenario_file import scenario_path
from simulators.signal_part import DIMENSION_OF
from simulators.units import DIMENSIONS

REFERENCE = scenario_path("every_key").read_text(encoding="utf-8")
VALIDATOR = jsonschema.Draft202012Validator(scenario_schema())
FREE_TEXT = {"name", "description"}
NAMED = {"lines", "tanks", "instruments", "signals"}


def scalars(node: yaml.Node, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], yaml.ScalarNode]]:
    """Every text in the tree with the keys that lead to it."""
    if isinstance(node, yaml.ScalarNode):
        yield path, node
    elif isinstance(node, yaml.SequenceNode):
        for index, each in enumerate(node.value):
            yield from scalars(each, (*path, str(index)))
    elif isinstance(node, yaml.MappingNode):
        for key, each in node.value:
            yield from scalars(each, (*path, key.value))


def keys(node: yaml.Node, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], yaml.ScalarNode]]:
    """Every key, but not the names that a person chooses."""
    if isinstance(node, yaml.SequenceNode):
        for index, each in enumerate(node.value):
            yield from keys(each, (*path, str(index)))
    elif isinstance(node, yaml.MappingNode):
        for key, each in node.value:
            if not path or path[-1] not in NAMED:
                yield (*path, key.value), key
            yield from keys(each, (*path, key.value))


TREE = yaml.compose(REFERENCE)
assert TREE is not None
SCALARS = [(path, node) for path, node in scalars(TREE) if path[-1] not in FREE_TEXT]
KEYS = list(keys(TREE))


def refused(folder: Path, node: yaml.Node, text: str) -> list[str]:
    """What is said of the reference with `text` in place of a node."""
    begin, end = node.start_mark.index, node.end_mark.index
    file = folder / "site.yaml"
    file.write_text(REFERENCE[:begin] + text + REFERENCE[end:], encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(file)
    return list(caught.value.lines)


@pytest.mark.parametrize(("path", "node"), SCALARS, ids=[".".join(path) for path, _ in SCALARS])
def test_every_wrong_value_is_told_with_its_place_and_what_would_be_right(
    path: tuple[str, ...], node: yaml.ScalarNode, tmp_path: Path
) -> None:
    said = refused(tmp_path, node, "nonsense")
    here = [line for line in said if line.startswith(f"site.yaml:{node.start_mark.line + 1}: ")]
    assert any(path[-1] in line and "'nonsense'" in line for line in here), said
    assert all(re.search("; (give|write|did you mean|leave|begin)|it has none", line) for line in said), said


@pytest.mark.parametrize(("path", "node"), KEYS, ids=[".".join(path) for path, _ in KEYS])
def test_every_misspelt_key_is_told(path: tuple[str, ...], node: yaml.ScalarNode, tmp_path: Path) -> None:
    said = refused(tmp_path, node, f"{node.value}x")
    here = [line for line in said if line.startswith(f"site.yaml:{node.start_mark.line + 1}: ")]
    if path[-1] == "kind":
        # Without it nobody knows which keys there are.
        assert here == [
            f"site.yaml:{node.start_mark.line + 1}: {'.'.join(path)}: is missing; give 'upright' or 'lying'"
        ]
        return
    assert any(f"{node.value}x" in line and ("unknown key" in line or "no such option" in line) for line in here), said


def test_the_reference_has_every_key_quantity_fault_and_option() -> None:
    written = {path[-1] for path, _ in KEYS}
    definitions = scenario_schema()["$defs"]
    known = {key for name, each in definitions.items() for key in each.get("properties", {}) if "Change" not in name}
    assert known - written - {"include", "port"} == set()
    assert "# include:" in REFERENCE
    values = {node.value for path, node in SCALARS if path[-1] in ("quantity", "fault")}
    assert values == set(DIMENSION_OF) | set(FAULTS)
    assert {option for each in fault_schemas().values() for option in each["properties"]} <= written
    assert all(re.search(rf"\b{way}\b", REFERENCE) for way in Garbled.WAYS)
    # Each unit is named where a quantity is read, in the schema.
    assert all(unit in str(definitions) for units in DIMENSIONS.values() for unit in units)


def test_the_schema_is_one_and_fits_what_comes_with_the_package() -> None:
    jsonschema.Draft202012Validator.check_schema(scenario_schema())
    for name in [*scenario_names(), "ten_tanks"]:
        file = scenario_path("demo").parent / f"{name}.yaml"
        VALIDATOR.validate(yaml.safe_load(file.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "change",
    [
        {"tanks": {"T-1": {"levle": "5 m"}}},
        {"tanks": {"T-1": {"level": 5}}},
        {"faults": [{"instrument": "XT-1", "fault": "hail"}]},
        {"faults": [{"instrument": "XT-1", "fault": "offset", "options": {"signal": "innage"}}]},
        {"faults": [{"instrument": "XT-1", "fault": "silence", "options": {"delay": "3 s"}}]},
        {"faults": [{"instrument": "XT-1", "fault": "garbled", "options": {"how": "badly"}}]},
        {"lines": {"bus": {"serial": {"pair": "/tmp/x"}}}},
        {"seeds": 3},
    ],
)
def test_the_schema_refuses_what_the_program_refuses(change: dict[str, Any]) -> None:
    document = yaml.safe_load(REFERENCE)
    for key, value in change.items():
        document[key] = {**document[key], **value} if isinstance(value, dict) else value
    assert not VALIDATOR.is_valid(document)


def test_a_file_that_includes_another_need_not_say_everything() -> None:
    assert VALIDATOR.is_valid({"include": "ten_tanks.yaml", "tanks": {"J-3": {"level": "6 m"}}})
    assert not VALIDATOR.is_valid({"tanks": {"J-3": {"level": "6 m"}}})
