"""What does not fit together in a scenario whose keys are right one by one."""

import difflib
from collections.abc import Iterator, Mapping

from simulators.fault_options import make_fault
from simulators.scenario import Scenario, ScheduledFault
from simulators.signal_part import SignalPart

__all__ = ["check_scenario", "expand_signals", "near"]


def near(word: str, known: Mapping[str, object] | list[str]) -> str:
    """`did you mean 'level'?`, or the list of what is known."""
    words = list(known)
    found = difflib.get_close_matches(word, words, n=1)
    return f"did you mean {found[0]!r}?" if found else f"give one of: {', '.join(words)}"


def expand_signals(scenario: Scenario, tag: str) -> Iterator[tuple[str, SignalPart]]:
    """An instrument's signals with `temperatures` spread into one signal for each element: t -> t1, t2, ..."""
    for name, part in scenario.instruments[tag].signals.items():
        if part.quantity != "temperatures" or part.tank not in scenario.tanks:
            # A tank that there is not is told where it is named.
            yield name, part
            continue
        encoding = part.encoding()
        width = encoding.registers if encoding is not None else 1
        for index in range(len(scenario.tanks[part.tank].elements)):
            yield (
                f"{name}{index + 1}",
                part.model_copy(
                    update={"quantity": "temperature", "element": index + 1, "address": part.address + index * width}
                ),
            )


def check_scenario(scenario: Scenario) -> Iterator[tuple[tuple[str, ...], str]]:
    """What does not fit together, as (key, sentence). Empty for a scenario that can be served."""
    yield from _check_lines(scenario)
    units: dict[tuple[str, int], str] = {}
    for tag, instrument in scenario.instruments.items():
        key = ("instruments", tag)
        if instrument.line not in scenario.lines:
            yield (*key, "line"), _unknown("line", instrument.line, scenario.lines)
        other = units.setdefault((instrument.line, instrument.unit), tag)
        if other != tag:
            free = next(unit for unit in range(1, 248) if (instrument.line, unit) not in units)
            yield (*key, "unit"), f"{instrument.unit} is {other}'s on {instrument.line}; give a free one, like {free}"
        yield from _check_signals(scenario, tag)
    for index, movement in enumerate(scenario.movements):
        if movement.tank not in scenario.tanks:
            yield ("movements", str(index), "tank"), _unknown("tank", movement.tank, scenario.tanks)
    for index, scheduled in enumerate(scenario.faults):
        yield from _check_fault(scenario, ("faults", str(index)), scheduled)


def _check_lines(scenario: Scenario) -> Iterator[tuple[tuple[str, ...], str]]:
    """A port of this machine is one line's alone; a free one is found where it is 0."""
    holders: dict[object, str] = {}
    for name, line in scenario.lines.items():
        serial = line.serial
        key, place = ("port", line.port) if serial is None else ("serial", serial.port or serial.pair)
        other = holders.setdefault(place, name) if place else name
        if other != name:
            path = ("lines", name, key) if serial is None else ("lines", name, key, "port" if serial.port else "pair")
            yield path, f"{place} is that of {other} too; give each line its own"


def _check_signals(scenario: Scenario, tag: str) -> Iterator[tuple[tuple[str, ...], str]]:
    key = ("instruments", tag, "signals")
    unknown = False
    for name, part in scenario.instruments[tag].signals.items():
        if part.tank not in scenario.tanks:
            unknown = True
            yield (*key, name, "tank"), _unknown("tank", part.tank, scenario.tanks)
        elif part.element is not None and part.element > len(scenario.tanks[part.tank].elements):
            count = len(scenario.tanks[part.tank].elements)
            right = f"give 1 to {count}" if count else "give it 'elements' and 'temperatures'"
            yield (*key, name, "element"), f"{part.element} is no element of {part.tank}, which has {count}; {right}"
        elif part.quantity == "temperatures" and not scenario.tanks[part.tank].elements:
            text = f"'temperatures' is nothing of {part.tank}, which has no elements; give it 'elements' and"
            yield (*key, name, "quantity"), f"{text} 'temperatures'"
        elif part.quantity == "ambient" and scenario.tanks[part.tank].ambient is None:
            text = f"'ambient' is nothing of {part.tank}, which does not say what stands outside; give it 'ambient'"
            yield (*key, name, "quantity"), text
    if unknown:
        return
    holders: dict[tuple[str, int, int | None], str] = {}
    for name, part in expand_signals(scenario, tag):
        given = name if name in scenario.instruments[tag].signals else name.rstrip("0123456789")
        encoding = part.encoding()
        width = encoding.registers if encoding is not None else 1
        if part.address + width > 65536:
            yield (*key, given, "address"), f"{name} at {part.address} ends beyond 65535; give {65536 - width} or less"
        for address in range(part.address, part.address + width):
            other = holders.get((part.table, address, None)) or holders.setdefault(
                (part.table, address, part.bit), name
            )
            if other != name:
                yield (*key, given, "address"), f"{part.table} {address} is {other}'s too; give a free address"
                break


def _check_fault(
    scenario: Scenario, key: tuple[str, ...], scheduled: ScheduledFault
) -> Iterator[tuple[tuple[str, ...], str]]:
    instrument = scenario.instruments.get(scheduled.instrument)
    if instrument is None:
        yield (*key, "instrument"), _unknown("instrument", scheduled.instrument, scenario.instruments)
        return
    try:
        fault = make_fault(scheduled.fault, scheduled.options)
    except ValueError as exc:
        member, _, message = str(exc).partition(": ")
        yield (*key, *member.split(".")), message
        return
    names = [name for name, _ in expand_signals(scenario, scheduled.instrument)]
    wanted = getattr(fault, "signal", None)
    if wanted is not None and wanted not in names:
        yield (*key, "options", "signal"), _unknown("signal", wanted, names)
    line = scenario.lines.get(instrument.line)
    unfit = None if line is None else fault.unfit(line.frames, line.serial is not None)
    if unfit is not None:
        member, _, message = unfit.partition(": ")
        yield (*key, *member.split(".")), message


def _unknown(kind: str, name: str, known: Mapping[str, object] | list[str]) -> str:
    return f"there is no {kind} {name!r}; {near(name, known)}"
