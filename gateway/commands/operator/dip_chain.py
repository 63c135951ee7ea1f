"""How one figure of a sheet comes about: the steps behind it, each after what it rests on, in plain words."""

from collections.abc import Sequence

from gateway.calculation.sheet import SheetLine
from gateway.display import UnitSystem, printable, quality_words, show_figure
from gateway.errors import UsageError
from gateway.records import Figure, Quality
from gateway.sheet_document import concerns_other_tanks

__all__ = ["chain", "chain_text"]


def chain(lines: Sequence[SheetLine], wanted: str) -> list[SheetLine]:
    """The line called `wanted` (its symbol or its name) and before it, depth first, every line it rests on, once each.

    Raises UsageError where there is no such figure.
    """
    by_name = {line.name: line for line in lines}
    asked = wanted.strip().casefold().replace("-", "_")
    found = next((line for line in lines if asked in (line.symbol.casefold().replace("-", "_"), line.name)), None)
    if found is None:
        shown = ", ".join(line.symbol for line in lines if not concerns_other_tanks(line))
        raise UsageError(f"--explain: there is no figure '{wanted}'", f"one of {shown}")
    steps: list[SheetLine] = []
    entered: set[str] = set()

    def visit(line: SheetLine) -> None:
        if line.name in entered:
            return
        entered.add(line.name)
        for name in line.inputs:
            # A part that this tank does not have enters nothing.
            if not concerns_other_tanks(by_name[name]):
                visit(by_name[name])
        steps.append(line)

    visit(found)
    return steps


def chain_text(steps: Sequence[SheetLine], system: UnitSystem, reference_c: float | None) -> list[str]:
    """One line a step: number, symbol, title, value, quality, what it was made from and by which relation."""
    wanted = steps[-1]
    places = {line.name: number for number, line in enumerate(steps, start=1)}
    width = max(len(line.symbol) for line in steps)
    title = wanted.title[:1].lower() + wanted.title[1:]
    text = [printable(f"How {wanted.symbol} comes about ({title}), each step after what it rests on:")]
    for number, line in enumerate(steps, start=1):
        figure = Figure(line.value, line.quality, line.reasons, 0.0)
        shown = show_figure(line.name, figure, system, reference_temperature_c=reference_c).text
        quality = quality_words(line.quality, manual=line.manual)
        inputs = [name for name in line.inputs if name in places]
        made_from = f"from {_listed([steps[places[name] - 1].symbol for name in inputs])} by " if inputs else ""
        text.append(
            printable(
                f"{number:>2}  {line.symbol:<{width}}  {line.title}: {shown}, {quality}; {made_from}{line.clause}"
            )
        )
        later = [steps[places[name] - 1].symbol for name in inputs if places[name] > number]
        if later:
            text.append(printable(f"    {' ' * width}  {_listed(later)} is found together with it, round by round"))
        if line.quality is not Quality.GOOD:
            text += [printable(f"    {' ' * width}  because {reason.text}") for reason in line.reasons]
    return text


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
