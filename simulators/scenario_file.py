"""Scenario file -> Scenario, with every mistake as one line that names file, line, key and what would be right."""

from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError

from simulators.errors import ScenarioError
from simulators.mistakes import Mistakes
from simulators.scenario import Scenario
from simulators.scenario_check import check_scenario
from simulators.yaml_file import read_yaml

__all__ = ["load_scenario", "scenario_names", "scenario_path"]

_SHIPPED = Path(str(files("simulators"))) / "scenarios"
_PARTS = frozenset({"ten_tanks"})
"""Files that others include, not served by themselves."""


def scenario_names() -> list[str]:
    """Names of the scenarios that come with the package."""
    return sorted(path.stem for path in _SHIPPED.glob("*.yaml") if path.stem not in _PARTS)


def scenario_path(path_or_name: str | Path) -> Path:
    """The file of a scenario. Raises ScenarioError where there is none."""
    path = Path(path_or_name)
    if not path.exists() and str(path_or_name) in scenario_names():
        return _SHIPPED / f"{path_or_name}.yaml"
    if not path.is_file():
        names = ", ".join(scenario_names())
        raise ScenarioError(f"{path_or_name}: no such file or scenario; give a YAML file or one of: {names}")
    return path


def load_scenario(path_or_name: str | Path) -> Scenario:
    """Read a scenario file, or one of the package's own by its name (`demo`, `printed_state`).

    Raises ScenarioError with one line for each mistake.
    """
    path = scenario_path(path_or_name)
    tree, places = read_yaml(path, _SHIPPED)
    tree.setdefault("name", path.stem)
    mistakes = Mistakes(path, tree, places)
    try:
        scenario = Scenario.model_validate(tree)
    except ValidationError as exc:
        raise ScenarioError(*(mistakes.found(error) for error in exc.errors())) from exc
    found = [mistakes.sentence(key, message) for key, message in check_scenario(scenario)]
    if found:
        raise ScenarioError(*found)
    return scenario
