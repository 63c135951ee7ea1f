"""All tanks at a glance: one row each, totals by product, and what needs a word beside the numbers.

An Uncertain number has a `?` behind it, so that one sees which numbers of a doubtful row may still be relied on. Where
the vapour above a liquid is counted, mass is that of both: what evaporates is not lost.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from types import MappingProxyType
from typing import NamedTuple

from gateway.calculation.level.limit_state import limit_state
from gateway.calculation.plan import LimitPlan
from gateway.commands.operator.course_words import course_words, site_time
from gateway.commands.output import Column, Grid
from gateway.display import (
    DEFINITIONS,
    NO_VALUE,
    UnitSystem,
    age_text,
    limit_words,
    printable,
    quality_words,
    reason_sentences,
    reference_words,
    roof_words,
    show_figure,
    show_value,
    unit_of,
)
from gateway.figures import BESIDE
from gateway.records import ENTRIES, Ending, Figure, Inventory, LastGood, LevelState, Quality
from gateway.sentences import duration_words
from gateway.states import LimitState
from gateway.tank_state import TankState
from gateway.totals import Holding, SiteTotal, counts_vapour, site_totals

__all__ = [
    "CAUTION",
    "COLUMNS",
    "USUAL_COLUMNS",
    "LastTold",
    "TankView",
    "has_no_limits",
    "notes",
    "state_when_last_known",
    "tank_grid",
    "total_lines",
    "view_of",
]

CAUTION = (
    "Monitoring only: not an overfill prevention system, not for custody transfer or fiscal use. A number on a screen "
    "never authorises opening a valve."
)
_STYLES = {Quality.GOOD: "", Quality.UNCERTAIN: "yellow", Quality.BAD: "bold red"}
COLUMNS: Mapping[str, tuple[str, int]] = MappingProxyType(
    {
        "level": ("Level", 0),
        "ullage": ("Ullage", 3),
        "water_level": ("Water", 4),
        "liquid_temperature": ("Temp", 1),
        "tov": ("TOV", 4),
        "gov": ("GOV", 4),
        "gsv": ("GSV", 1),
        "nsv": ("NSV", 2),
        "mass": ("Mass", 2),
        "weight_in_air": ("Liquid in air", 3),
        "total_mass": ("Total mass", 3),
        "pumpable": ("Pumpable", 2),
        "room": ("Room", 0),
        "fill": ("Fill", 4),
    }
)
"""Figures that may be shown: header, and how soon the column goes on a narrow terminal (0 never)."""
USUAL_COLUMNS = ("level", "liquid_temperature", "tov", "gsv", "mass", "room")
_TOTALS = {"gsv": "GSV", "mass": "mass"}
_DOUBT = "?"
# A configured density is manual as well; here the word is kept for what stands in for an instrument.
_MEASURED = ("level", "water_level", "liquid_temperature")


class LastTold(NamedTuple):
    """A value of a sheet that is no longer the present: SI."""

    value: float
    quality: Quality
    age_s: float


class TankView(NamedTuple):
    """One tank as a person sees it, whether it comes from the running process or over HTTP."""

    tank: str
    product: str
    quality: Quality
    figures: Mapping[str, Figure]
    simulated: bool
    age_s: float = 0.0
    """Of the sheet itself."""
    level_state: LevelState = LevelState()
    last_good: Mapping[str, LastGood] = MappingProxyType({})
    endings: tuple[Ending, ...] = ()
    seen: datetime | None = None
    """UTC, when it is looked at."""
    not_live: str = ""
    """Why it is not the present; empty where it is. Then no figure has a value."""
    last_told: Mapping[str, LastTold] = MappingProxyType({})
    """Of what is not live: what its last sheet said."""
    told_state: LevelState = LevelState()
    """Of what is not live: where the level stood by its last sheet."""
    reference_temperature_c: float | None = None
    """Of its standard volumes; None where it has none."""
    state: TankState | None = None
    """How it moves and which alarms it has; None where nobody watches it, or it is not live."""


def view_of(inventory: Inventory, now: datetime | None = None) -> TankView:
    """A view of `inventory`; with `now` (UTC) its ages grow by the time since its instant."""
    figures: dict[str, Figure] = inventory.figures._asdict()
    later_s = 0.0
    if now is not None:
        later_s = max(0.0, (now - inventory.instant).total_seconds())
        figures = {name: figure._replace(age_s=figure.age_s + later_s) for name, figure in figures.items()}
    return TankView(
        inventory.tank,
        inventory.product,
        inventory.quality,
        figures,
        inventory.simulated,
        later_s,
        inventory.level_state,
        inventory.last_good,
        inventory.endings,
        inventory.instant if now is None else now,
        reference_temperature_c=inventory.reference_temperature_c,
    )


def tank_grid(
    views: Sequence[TankView], system: UnitSystem = UnitSystem.SI, columns: Sequence[str] = USUAL_COLUMNS
) -> Grid:
    """One row a tank. The age answers whether it is live: that of the older of level and temperature as measured."""
    heads = [Column("Tank"), Column("Product", drop_first=3)]
    for name in columns:
        header, drop_first = COLUMNS[name]
        heads.append(Column(f"{header} {unit_of(name, system)}".strip(), right=True, drop_first=drop_first))
    heads += [Column("Limits", wraps=True), Column("Quality", wraps=True), Column("Age", right=True)]
    rows = []
    for view in views:
        numbers = [_cell(name, _shown(view, name), system) for name in columns]
        manual = any(view.figures[name].manual for name in _MEASURED)
        words = quality_words(view.quality, manual=manual, simulated=view.simulated)
        if view.not_live:
            words = f"NOT LIVE (was {words})"
        rows.append((view.tank, view.product, *numbers, _limits(view, system), words, age_text(_live_age_s(view))))
    return Grid(tuple(heads), tuple(rows), tuple(_style(view) for view in views))


def notes(
    views: Iterable[TankView],
    system: UnitSystem = UnitSystem.SI,
    columns: Sequence[str] = USUAL_COLUMNS,
    zone: tzinfo = UTC,
) -> list[str]:
    """What needs a word: limits passed and a roof that is not afloat, doubts with each reason once, what is lost beside
    the sheet (a second gauge, which leaves the tank as good as it is), last Good values beside what is Bad, and what
    ends soon. Of a tank that is not live only why, and what was last told of it."""
    lines = []
    for view in views:
        if view.not_live:
            lines += [printable(f"{view.tank}: {text}") for text in _no_longer(view, system, columns)]
            continue
        told: list[str] = [text for text in (_limit_note(view, system), roof_words(view.level_state)) if text]
        said: set[str] = set()
        for quality in (Quality.BAD, Quality.UNCERTAIN):
            marked = any(_shown(view, name).quality is quality for name in columns)
            if view.quality is not quality and not marked:
                continue
            sentences = [each for each in reason_sentences(view.figures, quality) if each not in said]
            said.update(sentences)
            mark = f" ({_DOUBT})" if quality is Quality.UNCERTAIN else ""
            why = "; ".join(sentences) or ("for the same reasons" if said else "no reason given")
            told.append(f"{quality.word}{mark}: {why}")
        told += _lost_beside(view)
        told += _last_good(view, system, columns)
        told += course_words(view.state, zone)
        told += [_ending(ending, view, zone) for ending in view.endings]
        lines += [printable(f"{view.tank}: {text}") for text in told]
    return lines


def _no_longer(view: TankView, system: UnitSystem, columns: Sequence[str]) -> list[str]:
    """What stood there is an old story, and is told as one."""
    parts = []
    for name in columns:
        # The same figure as the column would have shown.
        shown = "total_mass" if name == "mass" and "total_mass" in view.last_told else name
        last = view.last_told.get(shown)
        if last is not None:
            doubt = _DOUBT if last.quality is Quality.UNCERTAIN else ""
            number = show_value(shown, last.value, system)
            parts.append(f"{COLUMNS[shown][0]} {number.text}{doubt} {duration_words(last.age_s)} ago")
    told = [f"NOT LIVE: {view.not_live}"]
    stood = [text for text in (limit_words(view.told_state, system), roof_words(view.told_state)) if text]
    if parts:
        told.append(f"last told: {', '.join([*parts, *stood])}")
    else:
        told += _last_good(view, system, columns)
    return told


def _lost_beside(view: TankView) -> list[str]:
    """What is Bad beside the sheet, where it is not for a reason that is told already."""
    told = {reason for name, figure in view.figures.items() if name not in BESIDE for reason in figure.reasons}
    found = []
    for name, definition in DEFINITIONS.items():
        reasons = view.figures[name].reasons if name in BESIDE else ()
        if reasons and view.figures[name].quality is Quality.BAD and told.isdisjoint(reasons):
            told.update(reasons)
            found.append(f"{definition.title} is lost: {reasons[0].text}")
    return found


def total_lines(views: Sequence[TankView], system: UnitSystem = UnitSystem.SI) -> list[str]:
    """A line for each product that stands in several tanks, one for the mass of all, and one that says of which tanks
    mass is that of liquid and vapour.
    """
    products: dict[str, list[str]] = {}
    lines = []
    for each in site_totals(map(_holding, views)):
        if each.product is None:
            simulated = ", SIMULATED" if each.simulated else ""
            lines.append(f"Total of all products: {_total_text(each, system)}{simulated}")
        elif each.holding > 1:
            products.setdefault(each.product, []).append(_total_text(each, system))
    # Also of a product to which no figure applies something is said.
    several = [product for product, count in Counter(view.product for view in views).items() if count > 1]
    told = [(product, "; ".join(products.get(product, ())) or "no figure applies") for product in several]
    lines = [*(printable(f"Total {product}: {text}") for product, text in told), *lines]
    lines += _reference_line(views)
    with_vapour = [view.tank for view in views if _counts_vapour(view)]
    if with_vapour:
        lines.append(printable(f"Mass of {', '.join(with_vapour)}: liquid and vapour together"))
    return lines


def _reference_line(views: Sequence[TankView]) -> list[str]:
    """To which temperature standard volumes are brought: those at different ones are no one sum."""
    tanks: dict[str, list[str]] = {}
    for view in views:
        if view.reference_temperature_c is not None:
            tanks.setdefault(reference_words(view.reference_temperature_c), []).append(view.tank)
    if len(tanks) < 2:
        return [f"GSV at {words}" for words in tanks]
    usual = max(tanks, key=lambda words: len(tanks[words]))
    others = [f"{', '.join(names)} at {words}" for words, names in tanks.items() if words != usual]
    return [printable(f"GSV at {usual}; of {'; of '.join(others)}")]


def _limits(view: TankView, system: UnitSystem) -> str:
    """One or two words in the row itself: a level beyond a limit must not look like any other, nor one that was beyond
    it when the gauge was lost."""
    passed = limit_words(state_when_last_known(view), system)
    roof = roof_words(view.level_state).partition(":")[0]
    if view.figures["level"].quality is Quality.BAD:
        return f"no level, was {passed}" if passed else "no level"
    if has_no_limits(view):
        passed = "none set"
    return ", ".join(word for word in (passed, roof) if word)


def has_no_limits(view: TankView) -> bool:
    """Whether nothing is set that its level could be beyond, so that it is no comfort that it is beyond nothing."""
    state = view.level_state
    limits = (state.minimum_m, state.maximum_working_m, state.high_high_m, state.critical_high_m)
    return state.limit is LimitState.NORMAL and all(limit is None for limit in limits)


def _limit_note(view: TankView, system: UnitSystem) -> str:
    words = limit_words(state_when_last_known(view), system)
    return (
        f"when its level was last known: {words}" if words and view.level_state.limit is LimitState.UNKNOWN else words
    )


def state_when_last_known(view: TankView) -> LevelState:
    """The level against the limits; where there is none, as its last Good value stood to them."""
    state, last = view.level_state, view.last_good.get("level")
    if state.limit is not LimitState.UNKNOWN or last is None:
        return state
    limits = LimitPlan(state.minimum_m, state.maximum_working_m, state.high_high_m, state.critical_high_m)
    return state._replace(limit=limit_state(limits, last.value, LimitState.NORMAL, 0.0))


def _style(view: TankView) -> str:
    if view.not_live:
        return _STYLES[Quality.BAD]
    beyond = (LimitState.ABOVE_HIGH_HIGH, LimitState.ABOVE_CRITICAL_HIGH)
    return "bold red" if state_when_last_known(view).limit in beyond else _STYLES[view.quality]


def _live_age_s(view: TankView) -> float:
    """How long ago an instrument last spoke of this tank; where all is by hand, when the sheet was made."""
    measured = [view.figures[name] for name in ("level", "liquid_temperature")]
    ages = [figure.age_s for figure in measured if not figure.manual]
    return max(ages) if ages else view.age_s


def _last_good(view: TankView, system: UnitSystem, columns: Sequence[str]) -> list[str]:
    """The last Good values of what is Bad, of the figure that its column shows, together where they are of one time."""
    parts: dict[str, list[str]] = {}
    for column in columns:
        name = _figure_name(view, column)
        last = view.last_good.get(name)
        if view.figures[name].quality is Quality.BAD and last is not None and view.seen is not None:
            age = duration_words(max(0.0, view.seen.timestamp() - last.time_s))
            parts.setdefault(age, []).append(f"{COLUMNS[column][0]} {show_value(name, last.value, system).text}")
    return [f"last Good {age} ago: {', '.join(values)}" for age, values in parts.items()]


def _ending(ending: Ending, view: TankView, zone: tzinfo) -> str:
    ended = view.seen is not None and ending.expires <= view.seen
    verb = "ended" if ended else "ends"
    return f"{ENTRIES[ending.entry]} {verb} {site_time(ending.expires, zone, '%Y-%m-%d %H:%M')}: enter a new one"


def _counts_vapour(view: TankView) -> bool:
    return counts_vapour(view.figures["total_mass"], view.last_good)


def _figure_name(view: TankView, column: str) -> str:
    return "total_mass" if column == "mass" and _counts_vapour(view) else column


def _holding(view: TankView) -> Holding:
    gsv, mass, with_vapour = _shown(view, "gsv"), _shown(view, "mass"), _counts_vapour(view)
    return Holding(view.product, gsv, mass, with_vapour, view.reference_temperature_c, view.simulated)


def _shown(view: TankView, name: str) -> Figure:
    """The figure in the column of `name`."""
    return view.figures[_figure_name(view, name)]


def _total_text(each: SiteTotal, system: UnitSystem) -> str:
    header = f"{_TOTALS[each.figure]} incl. vapour" if each.with_vapour else _TOTALS[each.figure]
    value, included, tanks, is_estimated = each.total
    shown = NO_VALUE if value is None else show_value(each.figure, value, system).text
    estimated = ", estimated" if is_estimated else ""
    return f"{header} {shown} ({included} of {tanks} tanks{estimated})"


def _cell(name: str, figure: Figure, system: UnitSystem) -> str:
    number = show_figure(name, figure, system).number
    return f"{number}{_DOUBT}" if figure.quality is Quality.UNCERTAIN else number
