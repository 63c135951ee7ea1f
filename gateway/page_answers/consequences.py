"""What becomes of the figures of a tank if it goes by something else: its sheet made both ways, and nothing kept."""

import asyncio
from collections.abc import Iterable
from typing import Any, NamedTuple

from gateway.calculation.inventory import sheet
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.display import DEFINITIONS, UnitSystem, show_figure
from gateway.pipeline import Pipeline
from gateway.records import Figure, Inventory, Quality
from gateway.settings import TankSetup

__all__ = ["Consequences", "consequences", "figure_state"]

_TOLD = ("level", "water_level", "liquid_temperature", "reference_density", "tov", "gsv", "mass", "room")
"""Of these each change is a sentence; of the others their number."""


class Consequences(NamedTuple):
    lines: tuple[str, ...] = ()
    figures: tuple[dict[str, Any], ...] = ()
    """Of each that would be another: tank, name, `before` and `after` with value, unit and quality."""


async def consequences(pipeline: Pipeline, setups: Iterable[TankSetup]) -> Consequences:
    """`setups`: the tanks as they would be. Of one without a sheet nothing can be told."""
    found = []
    for setup in setups:
        found.append(_told_of(pipeline, setup))
        # An instrument may feed hundreds of tanks, and polling goes on between two of them.
        await asyncio.sleep(0)
    return Consequences(
        tuple(line for each in found for line in each.lines), tuple(figure for each in found for figure in each.figures)
    )


def _told_of(pipeline: Pipeline, setup: TankSetup) -> Consequences:
    try:
        return _of_tank(pipeline, setup)
    except Exception as error:  # noqa: BLE001 - what can be done is not refused because what follows cannot be told
        fault = f"{type(error).__name__}: {error}"
        return Consequences((f"{setup.plan.tank}: what follows cannot be told: a fault in the program, {fault}",))


def _of_tank(pipeline: Pipeline, setup: TankSetup) -> Consequences:
    tag = setup.plan.tank
    tank = pipeline.tank(tag)
    if tank is None or tank.latest is None or tank.awaited:
        return Consequences((f"{tag}: it has no sheet yet, so that what follows cannot be told",))
    before = sheet(tank.plan, pipeline.bound(tank.binding), tank.memory)[0]
    # A tank that holds something else begins anew.
    memory = tank.memory if setup.plan == tank.plan else EMPTY_MEMORY
    after = sheet(setup.plan, pipeline.bound(setup.binding), memory)[0]
    return _compared(tag, before, after, setup)


def _compared(tag: str, before: Inventory, after: Inventory, setup: TankSetup) -> Consequences:
    figures: list[dict[str, Any]] = []
    lines: list[str] = []
    others: dict[Quality, int] = {}
    reference_c = setup.plan.product.method.reference_temperature_c
    for name, one, other in zip(before.figures._fields, before.figures, after.figures, strict=True):
        if (one.value, one.quality) == (other.value, other.quality):
            continue
        figures.append(
            {"tank": tag, "name": name, "before": figure_state(name, one), "after": figure_state(name, other)}
        )
        if name in _TOLD:
            lines.append(f"{tag}: {_sentence(name, one, other, reference_c)}")
        elif one.quality is not other.quality:
            others[other.quality] = others.get(other.quality, 0) + 1
    if not figures:
        lines.append(f"{tag}: no figure becomes another now")
    further = " further" if lines else ""
    lines += [
        f"{tag}: {count}{further} {'figure becomes' if count == 1 else 'figures become'} {quality.word}"
        for quality, count in sorted(others.items())
    ]
    return Consequences(tuple(lines), tuple(figures))


def _sentence(name: str, before: Figure, after: Figure, reference_c: float | None) -> str:
    """Both with their quality, also where that stays: a number alone would pass for Good."""
    title = DEFINITIONS[name].title
    shown, becomes = _shown(name, before, reference_c), _shown(name, after, reference_c)
    return f"{title[0].lower()}{title[1:]} {shown} becomes {becomes}"


def _shown(name: str, figure: Figure, reference_c: float | None) -> str:
    if figure.value is None:
        return f"no value, {figure.quality.word}"
    shown = show_figure(name, figure, UnitSystem.SI, reference_temperature_c=reference_c)
    return f"{shown.text}, {figure.quality.word}"


def figure_state(name: str, figure: Figure) -> dict[str, Any]:
    """Plain values: a Bad one has none."""
    value = None if figure.quality is Quality.BAD else figure.value
    reasons = [{"code": reason.code, "text": reason.text} for reason in figure.reasons[:3]]
    return {"value": value, "unit": DEFINITIONS[name].unit, "quality": figure.quality.word, "reasons": reasons}
