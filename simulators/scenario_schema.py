"""The JSON Schema (2020-12) of a scenario file.

A file that includes others may give only what differs, so that nothing is required in it.
"""

from copy import deepcopy
from typing import Any

from simulators.fault_options import fault_schemas
from simulators.fields import HOW_TO_WRITE
from simulators.scenario import Scenario

__all__ = ["scenario_schema"]

_INCLUDE = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
    "description": "Scenario files whose keys hold where this one gives none: beside this file, or shipped ones",
    "examples": ["ten_tanks.yaml"],
}


def scenario_schema() -> dict[str, Any]:
    """Of a file as it stands, without what it includes."""
    whole = _plain(Scenario.model_json_schema())
    definitions: dict[str, Any] = whole.pop("$defs")
    whole["properties"]["include"] = _INCLUDE
    definitions["Scenario"] = whole
    _describe_faults(definitions["ScheduledFault"])
    changes = {f"{name}Change": _as_change(each) for name, each in definitions.items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Scenario file of the simulators",
        "description": "Lines, tanks, instruments on the lines, movements and faults. Everything in it is SIMULATED.",
        "type": "object",
        "if": {"required": ["include"]},
        "then": {"$ref": "#/$defs/ScenarioChange"},
        "else": {"$ref": "#/$defs/Scenario"},
        "$defs": {**definitions, **changes},
    }


def _describe_faults(fault: dict[str, Any]) -> None:
    """What options there are depends on the fault."""
    options = fault_schemas()
    fault["properties"]["fault"] = {"enum": list(options), "description": "What happens"}
    fault["allOf"] = [
        {
            "if": {"properties": {"fault": {"const": name}}},
            "then": {"properties": {"options": each}, **({"required": ["options"]} if "required" in each else {})},
        }
        for name, each in options.items()
    ]


def _plain(node: Any) -> Any:
    """Without null, since a key that may be left out is left out, and with one description for each key."""
    if isinstance(node, list):
        return [_plain(each) for each in node]
    if not isinstance(node, dict):
        return node
    found: dict[str, Any] = {}
    for key, each in node.items():
        if key in ("properties", "$defs"):  # names, of which one may be "description"
            found[key] = {name: _plain(schema) for name, schema in each.items()}
        elif key not in ("default", "title"):
            found[key] = _plain(each)
        elif key == "default" and isinstance(each, str | int) and each != "":
            found[key] = each  # a quantity's is a number without a unit, which no file may give
    choices = [each for each in found.get("anyOf", ()) if each != {"type": "null"}]
    says = [found.pop("description", "")]
    if len(choices) == 1:
        del found["anyOf"]
        found = {**choices[0], **found}
        says.append(found.pop("description", ""))
    says.append(found.pop(HOW_TO_WRITE, ""))
    text = ". ".join(each for each in says if each)
    return {**found, "description": text} if text else found


def _as_change(definition: dict[str, Any]) -> dict[str, Any]:
    change = deepcopy(definition)
    change.pop("required", None)
    changed: dict[str, Any] = _changed(change)
    return changed


def _changed(node: Any) -> Any:
    if isinstance(node, list):
        return [_changed(each) for each in node]
    if not isinstance(node, dict):
        return f"{node}Change" if isinstance(node, str) and node.startswith("#/$defs/") else node
    found = {key: _changed(each) for key, each in node.items()}
    if "oneOf" in found:
        found["anyOf"] = found.pop("oneOf")  # without the key that tells them apart several may fit
    return found
