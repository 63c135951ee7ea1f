"""A site on which many of the failure stories happen at once, each to a tank of its own, 60 times as fast as outside.

The demo's ten tanks; what befalls each stands here, what a user must see of it in `test_tank_stories.py`.
"""

from pathlib import Path
from typing import Any

import yaml

import simulators
from tests.page.site_process import DemoSite

__all__ = ["FACTOR", "befall", "story_site"]

FACTOR = 60.0
_SCENARIO: dict[str, Any] = {
    "include": "ten_tanks.yaml",
    "time_factor": FACTOR,
    "tick": "0.05 s",
    "tanks": {
        # 1: the lowest element, at 0.8 m, counts from 1.1 m on; what is above is in the vapour.
        "C-7": {"level": "1.000 m", "temperatures": "24.5 31.0 degC"},
        # 9: the site file knows volumes up to 13.000 m.
        "P-12": {"level": "13.110 m"},
        # 14: its legs are 1.600 m long.
        "TK-204": {"level": "1.550 m", "water": "0.800 m"},
    },
    # 17: by 20 m3/h for 17 h.
    "movements": [{"tank": "TK-204", "of": "water", "at": "15 min", "flow": "-20 m3/h", "until_level": "50 mm"}],
    "instruments": {
        # 19: by it is found out that the gauge sticks while the pump runs.
        "FT-101": {
            "line": "bus-a",
            "unit": 4,
            "signals": {
                "flow": {
                    "tank": "TK-101",
                    "quantity": "flow",
                    "table": "input",
                    "address": 0,
                    "type": "float32",
                    "step": "1 m3/h",
                }
            },
        }
    },
}


def story_site(folder: Path) -> DemoSite:
    """Not started yet."""
    folder.mkdir(parents=True)
    scenario = folder / "stories.yaml"
    scenario.write_text(yaml.safe_dump(_SCENARIO, sort_keys=False), "utf-8")
    return DemoSite(folder, scenario=str(scenario), change=_change, time_factor=FACTOR)


def _change(site: dict[str, Any]) -> None:
    for instrument in site["instruments"].values():
        instrument["period"] = "60 s"
    # How long a tank rests before what moves is told from what should: 45 min unless it is said.
    site["watch"] = {"unscheduled": {"after": "10 min"}}
    site["tanks"]["P-12"]["shape"]["height"] = "13.000 m"
    site["instruments"]["FT-101"] = {"line": "bus-a", "unit": "4", "period": "60 s", "map": "flow_float32"}
    site["tanks"]["TK-101"]["flows"] = [{"instrument": "FT-101", "signal": "flow", "direction": "in"}]


def befall(site: DemoSite) -> None:
    """What does not stand in the scenario from its beginning."""

    def happen(running: simulators.Running) -> None:
        running.set_fault("TT-3", "open_element", element=2)  # 2
        running.set_fault("LT-D1A", "offset", signal="innage", amount=0.6)  # 3
        running.tank("TK-101").set_flow(300.0)  # 19
        running.set_fault("LT-101", "frozen")

    site.instruments.ask(happen)
    site.run("enter", "maintenance", "IO-BO5", "--for", "8 h", "--why", "loop check")  # 20
