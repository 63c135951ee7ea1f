"""Simulated tanks and instruments that speak Modbus TCP, for demonstrations and for anyone's integration tests.

Everything served from here is SIMULATED.
"""

from simulators.errors import ScenarioError, SimulatorError
from simulators.fault_options import make_fault
from simulators.fleet import RegisterRow, describe, fleet
from simulators.running import Running, serve
from simulators.scenario import Scenario
from simulators.scenario_file import load_scenario, scenario_names
from simulators.scenario_schema import scenario_schema
from simulators.tank import Tank
from simulators.world import World

__all__ = [
    "RegisterRow",
    "Running",
    "Scenario",
    "ScenarioError",
    "SimulatorError",
    "Tank",
    "World",
    "describe",
    "fleet",
    "load_scenario",
    "make_fault",
    "scenario_names",
    "scenario_schema",
    "serve",
]
