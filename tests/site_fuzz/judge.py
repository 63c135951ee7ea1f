"""Whether a sheet is honest: each Good figure against the oracle, by what the instruments say and by what is true."""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.records import ElementUse, Figure, Inventory, Quality
from tests.site_fuzz.oracle.expected import Expected
from tests.site_fuzz.oracle.over_time import History
from tests.site_fuzz.oracle.sheet import expected_sheet
from tests.site_fuzz.oracle.temperature import celsius_of, misused
from tests.site_fuzz.oracle.truth import Near, true_sheet
from tests.site_fuzz.states import GOOD
from tests.site_fuzz.tanks import Tank
from tests.site_fuzz.world.draw_site import Moment

__all__ = ["Judge", "Mistake", "judge"]

_MAY_BE_MISSING = frozenset({"temperature_spread", "vapour_temperature", "level_difference", "density_difference"})
"""Good without a value they claim nothing: there was nothing to be averaged, or to be compared with."""
_WORDS = ("Good", "Uncertain", "Bad")


class Mistake(NamedTuple):
    figure: str
    text: str


class Judge:
    """Of the sheets of one tank, in their order."""

    def __init__(self, tank: Tank) -> None:
        self._tank = tank
        self._history = History(tank)

    def mistakes(self, moment: Moment, sheet: Inventory) -> list[Mistake]:
        """Everything in the sheet that claims more than can be known, or that is off by more than its tolerance."""
        if not moment.follows:
            self._history = History(self._tank)
        return judge(self._tank, moment, sheet, self._history)


def judge(tank: Tank, moment: Moment, sheet: Inventory, history: History | None = None) -> list[Mistake]:
    """The same of one sheet by itself."""
    used = _used(sheet.elements, len(tank.elements))
    figures = sheet.figures._asdict()
    expected = expected_sheet(tank, moment.shown, used, history)
    mistakes = _against(figures, expected, "by the readings")
    if figures["liquid_temperature"].quality is Quality.GOOD:
        wrong = _elements(tank, moment, expected, used)
        if wrong is not None:
            mistakes.append(Mistake("liquid_temperature", wrong))
    if not moment.shown.lies:
        mistakes += _against_truth(figures, true_sheet(tank, moment.state, moment.shown, used))
    return mistakes


def _against_truth(figures: Mapping[str, Figure], true: Mapping[str, Near]) -> list[Mistake]:
    mistakes = []
    for name, (value, tolerance) in true.items():
        figure = figures[name]
        if figure.quality is Quality.GOOD and figure.value is not None and abs(figure.value - value) > tolerance:
            off = abs(figure.value - value)
            text = f"Good {figure.value!r}, truly {value!r}, off by {off:.3g}, more than {tolerance:.3g}"
            mistakes.append(Mistake(name, text))
    return mistakes


def _used(elements: tuple[ElementUse, ...], count: int) -> tuple[bool, ...]:
    return tuple(use.used for use in elements) if elements else (False,) * count


def _elements(tank: Tank, moment: Moment, expected: Mapping[str, Expected], used: tuple[bool, ...]) -> str | None:
    level, water = expected["level"], expected["water_level"]
    if level.value is None or (water.value is None and water.best != GOOD):
        return None
    healthy = [
        celsius_of(element.signal, said).value is not None
        for element, said in zip(tank.elements, moment.shown.elements, strict=True)
    ]
    return misused(tank, level.value, water.value, used, healthy, first=not moment.follows)


def _against(figures: Mapping[str, Figure], expected: Mapping[str, Expected], how: str) -> list[Mistake]:
    mistakes = []
    for name, figure in figures.items():
        if name in _MAY_BE_MISSING and figure.value is None:
            continue
        if name not in expected:
            mistakes.append(Mistake(name, "a figure that the oracle does not know: give it one"))
            continue
        text = _wrong(figure, expected[name])
        if text is not None:
            mistakes.append(Mistake(name, f"{text}, {how}"))
    return mistakes


def _wrong(figure: Figure, expected: Expected) -> str | None:
    value, quality = figure.value, figure.quality
    if quality is Quality.BAD:
        return None if value is None else f"Bad with the value {value!r}"
    if quality is not Quality.GOOD:
        return None
    if value is None:
        nothing = expected.value is None and expected.best == GOOD
        return None if nothing or (expected.best == GOOD and _none_detected(figure)) else _claim(None, expected)
    if expected.best != GOOD or expected.value is None:
        return _claim(value, expected)
    off = abs(value - expected.value)
    if off <= expected.tolerance:
        return None
    return f"Good {value!r}, expected {expected.value!r}, off by {off:.3g}, more than {expected.tolerance:.3g}"


def _none_detected(figure: Figure) -> bool:
    return any(reason.code == "none_detected" for reason in figure.reasons)


def _claim(value: float | None, expected: Expected) -> str:
    nothing = expected.value is None and expected.best == GOOD
    what = "nothing that applies" if nothing else f"at best {_WORDS[expected.best]}"
    return f"Good {value!r}, expected {what}" + ("" if expected.value is None else f" {expected.value!r}")
