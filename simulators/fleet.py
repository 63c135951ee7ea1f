"""Many equal tanks for benches, and any scenario's registers as plain rows."""

import random
from typing import NamedTuple

from simulators.scenario import InstrumentPart, LinePart, NoisePart, Scenario
from simulators.scenario_check import expand_signals
from simulators.signal_part import SignalPart
from simulators.tank_part import DensityPart, TankPart
from simulators.tank_part import UprightShape as _Upright

__all__ = ["RegisterRow", "describe", "fleet"]

_HEIGHT_M = 16.0
_MOST_UNITS = 247


class RegisterRow(NamedTuple):
    """One signal of one instrument, as a register worksheet has it."""

    line: str
    unit: int
    instrument: str
    tank: str
    signal: str
    quantity: str
    element: int
    """Number of the temperature element, 1 the lowest; 0 for other signals."""
    height_m: float
    """Height of the element; 0 for other signals."""
    table: str
    address: int
    registers: int
    bit: int | None
    type: str
    order: str
    step: str
    """Value of one count, with its unit."""
    loop: str
    invalid: tuple[float, ...]
    nothing: float | None


def describe(scenario: Scenario) -> list[RegisterRow]:
    """Every signal of a scenario: what stands in which register of which unit on which line."""
    rows = []
    for tag, instrument in scenario.instruments.items():
        for name, part in expand_signals(scenario, tag):
            encoding = part.encoding()
            element = part.element or 0
            rows.append(
                RegisterRow(
                    line=instrument.line,
                    unit=instrument.unit,
                    instrument=tag,
                    tank=part.tank,
                    signal=name,
                    quantity=part.quantity,
                    element=element,
                    height_m=scenario.tanks[part.tank].elements[element - 1] if element else 0.0,
                    table=part.table,
                    address=part.address,
                    registers=encoding.registers if encoding is not None else 1,
                    bit=part.bit,
                    type=part.type,
                    order=part.order,
                    step=part.step or "",
                    loop=part.loop or "",
                    invalid=part.invalid,
                    nothing=part.nothing,
                )
            )
    return rows


def fleet(
    n_tanks: int,
    elements: int = 16,
    instruments_per_line: int = 50,
    *,
    seed: int = 1,
    alive: bool = True,
    tick_s: float = 1.0,
) -> Scenario:
    """A site of equal upright tanks, each read from one instrument: level (uint32, 0.1 mm) in input registers 0 and 1,
    then one int16 of 0.1 degC for each element. Levels and temperatures differ from tank to tank.

    `alive` adds noise, so that registers change from tick to tick. Lines are `line-1` and on, tanks `T-0001`,
    instruments `X-0001`.
    """
    if not 1 <= instruments_per_line <= _MOST_UNITS:
        raise ValueError(f"a line has room for 1 to {_MOST_UNITS} instruments, not {instruments_per_line}")
    chance = random.Random(f"fleet {seed}")
    heights = tuple(0.5 + index * (_HEIGHT_M - 1.0) / max(1, elements) for index in range(elements))
    lines: dict[str, LinePart] = {}
    tanks: dict[str, TankPart] = {}
    instruments: dict[str, InstrumentPart] = {}
    for index in range(n_tanks):
        tag, line = f"T-{index + 1:04d}", f"line-{index // instruments_per_line + 1}"
        lines.setdefault(line, LinePart())
        bottom = chance.uniform(10.0, 20.0)
        tanks[tag] = TankPart(
            shape=_Upright(kind="upright", diameter=20.0, height=_HEIGHT_M),
            reference_height=_HEIGHT_M + 0.5,
            density=DensityPart(value=840.0, at=15.0, expansion=0.00084),
            level=round(chance.uniform(4.0, 14.0), 4),
            elements=heights,
            temperatures=tuple(round(bottom + 0.2 * number, 1) for number in range(elements)),
            liquid_temperature=bottom,
        )
        signals = {
            "innage": SignalPart(
                tank=tag,
                quantity="innage",
                table="input",
                address=0,
                type="uint32",
                step="0.1 mm",
                invalid=(4294967295.0,),
            )
        }
        if elements:
            signals["t"] = SignalPart(
                tank=tag,
                quantity="temperatures",
                table="input",
                address=2,
                type="int16",
                step="0.1 degC",
                invalid=(32767.0, -32768.0),
            )
        instruments[f"X-{index + 1:04d}"] = InstrumentPart(
            line=line, unit=index % instruments_per_line + 1, signals=signals
        )
    return Scenario(
        name=f"fleet of {n_tanks}",
        seed=seed,
        tick=tick_s,
        noise=NoisePart(level=0.0003, temperature=0.05) if alive else NoisePart(),
        lines=lines,
        tanks=tanks,
        instruments=instruments,
    )
