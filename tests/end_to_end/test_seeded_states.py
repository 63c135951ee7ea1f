"""Twenty seeded states of the demo site: what the subscriber has is what the oracle says, figure for figure.

Each state is shown to a gateway of its own, which remembers nothing: a jump from one state to the next would rightly be
Uncertain, and which elements are in the average would hang on the state before. The last test gives one gateway a
course of levels instead, for that very memory.
"""

import math
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.oracle import WORDS, Expected, rounded, shown_level
from tests.end_to_end.site import Site, running_site
from tests.end_to_end.states import Drawn, at_margins, draw
from tests.end_to_end.worksheet import TANKS, Tank
from tests.support.wire import WireRecorder

STATES_PER_TEST = 5
# The oracle rounds to what each register holds, float32 included, so all that may differ is double arithmetic. A room
# of nothing is the difference of two volumes of up to 13,000 m3, so there the absolute part is that of the volumes.
RELATIVE, ABSOLUTE, ABSOLUTE_OF_AMOUNTS = 1e-9, 1e-8, 1e-5
AMOUNTS = {"gov", "gsv", "nsv", "pumpable", "room", "mass", "weight_in_air", "total_mass", "vapour_mass", "solute_mass"}
COUNTS_FOR_NOTHING = {"second_level", "level_difference", "vapour_temperature", "ambient_temperature"} | {
    "bottom_pressure",
    "vapour_pressure",
    "measured_density",
    "density_difference",
}
GAUGED = ("TK-101", "TK-204", "P-12", "D-1")
FAST = {f"instruments.{tag}.period": "0.2 s" for tag in ("LT-101", "XT-204", "XT-P12", "LT-D1A")}

Recorder = Callable[[int], WireRecorder]


@pytest.mark.parametrize("first_seed", range(1, 21, STATES_PER_TEST))
async def test_every_figure_of_every_tank_is_the_oracles(
    tmp_path: Path, wire_recorder: Recorder, first_seed: int
) -> None:
    wrong: list[str] = []
    async with running_site("printed_state", tmp_path, wire_recorder, patient=True) as site:
        for seed in range(first_seed, first_seed + STATES_PER_TEST):
            wrong += [f"seed {seed} {each}" for each in await judge(site, draw(seed))]
    assert not wrong, "\n" + "\n".join(wrong)


async def test_an_element_counts_from_its_margin_on_and_not_one_step_of_the_gauge_below(
    tmp_path: Path, wire_recorder: Recorder
) -> None:
    for tag, (_, wanted) in at_margins(short=False).items():
        assert sum(wanted.used) == 2, tag
    for tag, (_, wanted) in at_margins(short=True).items():
        assert sum(wanted.used) == 1, tag
    async with running_site("printed_state", tmp_path, wire_recorder, patient=True) as site:
        wrong = [*await judge(site, at_margins(short=False)), *await judge(site, at_margins(short=True))]
    assert not wrong, "\n" + "\n".join(wrong)


async def test_an_element_stays_down_to_two_thirds_of_its_margin_and_comes_back_at_the_whole(
    tmp_path: Path, wire_recorder: Recorder
) -> None:
    course = [(1.0, 0, 2), (5 / 6, 0, 2), (2 / 3, 1, 2), (2 / 3, -1, 1), (5 / 6, 0, 1), (1.0, -1, 1), (1.0, 0, 2)]
    """Share of the second element's margin, further steps of the gauge, elements that must count then."""
    async with running_site("printed_state", tmp_path, wire_recorder, FAST, patient=True) as site:
        await site.stop_gateway()
        put(site, at_margins(short=False))
        site.begin_anew()
        for share, steps, count in course:
            levels = {tag: level_on_course(TANKS[tag], Fraction(share), steps) for tag in GAUGED}
            for tag, level in levels.items():
                site.simulator.tank(tag).set_level(float(level))
            for tag, level in levels.items():
                shown = await site.inventory(tag, partial(shows_level, float(shown_level(TANKS[tag], level))))
                used = [element["used"] for element in shown["elements"]]
                assert used == [index < count for index in range(len(used))], (tag, share, steps)


def level_on_course(tank: Tank, share: Fraction, steps: int) -> Fraction:
    step = tank.level_step or Fraction(1, 10_000)
    return tank.elements[1] + rounded(tank.margin * share, step) + steps * step


def shows_level(level_m: float, content: dict[str, Any]) -> bool:
    """Whether the level has arrived, and every element been read: a fast gauge speaks before the slow ones."""
    arrived = abs((content["figures"]["level"]["value"] or 0.0) - level_m) < 1e-7
    return arrived and all(element["value"] is not None for element in content["elements"])


async def judge(site: Site, states: Drawn) -> list[str]:
    """Show a state to a new gateway; what its tanks show otherwise than they must."""
    await site.stop_gateway()
    put(site, states)
    site.begin_anew()
    # On a slow machine a tank may speak before it has been read in full, and says so.
    shown = await site.all_inventories(lambda content: "not_yet_read" not in str(content))
    return [
        f"{tag} {state}: {each}" for tag, (state, wanted) in states.items() for each in differences(shown[tag], wanted)
    ]


def put(site: Site, drawn: Drawn) -> None:
    """Bring the simulated tanks into a state. The level first: it decides which elements stand in the liquid."""
    for tag, (state, _) in drawn.items():
        tank = site.simulator.tank(tag)
        tank.set_water(0.0)
        tank.set_level(float(state.level_m))
        liquid_c = None if state.liquid_c is None else float(state.liquid_c)
        tank.set_temperatures([float(each) for each in state.temperatures_c], liquid_c=liquid_c)
        tank.set_water(float(state.water_m))
        if TANKS[tag].vapour_density is not None:
            tank.set_vapour_pressure(float(state.pressure_pa))


def differences(shown: dict[str, Any], wanted: Expected) -> list[str]:
    """What a tank shows and must not, or must show and does not."""
    found = []
    for name, figure in shown["figures"].items():
        value, quality = wanted.figures.get(name, (None, 0))
        near = ABSOLUTE_OF_AMOUNTS if name in AMOUNTS else ABSOLUTE
        same = (
            figure["value"] is None
            if value is None
            else figure["value"] is not None and math.isclose(figure["value"], value, rel_tol=RELATIVE, abs_tol=near)
        )
        if not same or figure["quality"] != WORDS[quality]:
            found.append(
                f"{name} {figure['value']} {figure['quality']} {figure['reason']}, not {value} {WORDS[quality]}"
            )
    used = tuple(element["used"] for element in shown["elements"])
    if used != wanted.used:
        found.append(f"elements {used}, not {wanted.used}")
    missing = wanted.figures.keys() - shown["figures"].keys()
    if missing:
        found.append(f"missing: {sorted(missing)}")
    worst = max(
        WORDS.index(figure["quality"]) for name, figure in shown["figures"].items() if name not in COUNTS_FOR_NOTHING
    )
    if shown["quality"] != WORDS[worst]:
        found.append(f"the tank is {shown['quality']}, its worst figure {WORDS[worst]}")
    return found
