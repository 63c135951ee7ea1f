"""All tanks at a glance: rows, marks in words, totals that say what they leave out."""

from datetime import timedelta

import pytest
from rich.console import Console

from gateway.commands.operator.tank_table import TankView, notes, tank_grid, total_lines, view_of
from gateway.commands.output import Column, Grid, plain_lines, rich_table
from gateway.display import UnitSystem
from gateway.figures import tank_quality
from gateway.records import Ending, Figure, Inventory, LastGood, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.totals import Total, total
from tests.support.records import NOON, inventory

_NO_ANSWER = Reason(ReasonCode.NO_ANSWER, "LT-1 did not answer within 1 s")
_BY_HAND = Reason(ReasonCode.MANUAL, "manual value in place of an instrument")


def _good(value: float, age_s: float = 2.0) -> Figure:
    return Figure(value, Quality.GOOD, (), age_s)


def _bad() -> Figure:
    return Figure(None, Quality.BAD, (_NO_ANSWER,), 75.0)


def _tank(name: str, *, simulated: bool = False, **given: Figure) -> Inventory:
    sheet = inventory(name, simulated=simulated)
    figures = sheet.figures._replace(**{"liquid_temperature": _good(14.7, 4.0), **given})
    return sheet._replace(figures=figures, quality=tank_quality(figures))


def _views(*inventories: Inventory) -> list[TankView]:
    return [view_of(each) for each in inventories]


def test_a_row_shows_level_temperature_volumes_mass_room_quality_and_age() -> None:
    views = _views(
        _tank("TK-1", mass=_good(2_000_100.0), gsv=_good(2386.8), tov=_good(2395.1), room=_good(963.99), simulated=True)
    )
    assert [" ".join(line.split()) for line in plain_lines(tank_grid(views))] == [
        "Tank Product Level m Temp °C TOV m³ GSV m³ Mass t Room m³ Limits Quality Age",
        "TK-1 gasoline 9.412 14.7 2,395 2,387 2,000.1 963.9 Good SIMULATED 4 s",
    ]


def test_us_units_in_header_and_cells() -> None:
    views = _views(_tank("TK-1", mass=_good(1_016_046.9088)))
    header, row = plain_lines(tank_grid(views, UnitSystem.US))
    assert "Temp °F" in header
    assert "Mass long tons" in header
    assert "30 ft 10-9/16 in" in row
    assert "58.5" in row
    assert "1,000.0" in row


def test_bad_is_a_dash_with_its_reason_below() -> None:
    views = _views(_tank("TK-1", mass=_bad(), level=_bad(), tov=_bad(), gsv=_bad(), room=_bad()))
    (row,) = plain_lines(tank_grid(views))[1:]
    assert " ".join(row.split()) == "TK-1 gasoline - 14.7 - - - - no level Bad 75 s"
    assert "0.0" not in row
    assert notes(views) == ["TK-1: Bad: LT-1 did not answer within 1 s"]


def test_a_second_gauge_that_is_lost_is_told_beside_a_tank_that_is_good() -> None:
    views = _views(_tank("TK-1", mass=_good(1.0), second_level=_bad(), level_difference=_bad()))
    assert "Good" in plain_lines(tank_grid(views))[1]
    assert notes(views) == ["TK-1: Level by the second gauge is lost: LT-1 did not answer within 1 s"]


def test_manual_and_uncertain_are_words() -> None:
    by_hand = Figure(61.2, Quality.UNCERTAIN, (_BY_HAND,), 30.0, manual=True)
    views = _views(_tank("A-1", mass=_good(5330.0), liquid_temperature=by_hand))
    assert "Uncertain manual" in plain_lines(tank_grid(views))[1]
    assert notes(views) == ["A-1: Uncertain (?): manual value in place of an instrument"]


def test_a_doubtful_number_is_told_from_the_sound_ones_of_its_row() -> None:
    by_hand = Figure(61.2, Quality.UNCERTAIN, (_BY_HAND,), 30.0)
    views = _views(_tank("A-1", mass=_bad(), liquid_temperature=by_hand))
    (row,) = plain_lines(tank_grid(views))[1:]
    assert " ".join(row.split()) == "A-1 gasoline 9.412 61.2? n/a n/a - n/a Bad 30 s"
    assert notes(views) == [
        "A-1: Bad: LT-1 did not answer within 1 s",
        "A-1: Uncertain (?): manual value in place of an instrument",
    ]


def test_a_manual_density_alone_does_not_mark_the_row() -> None:
    views = _views(_tank("TK-1", mass=_good(1.0), reference_density=Figure(838.0, Quality.GOOD, (), 0.0, manual=True)))
    assert "manual" not in plain_lines(tank_grid(views))[1]


def test_ages_grow_while_nothing_new_comes() -> None:
    sheet = _tank("TK-1", mass=_good(1.0))
    assert view_of(sheet, NOON + timedelta(seconds=10)).figures["level"].age_s == 12.0
    assert view_of(sheet, NOON - timedelta(seconds=10)).figures["level"].age_s == 2.0


def _at(name: str, reference_c: float | None) -> Inventory:
    return _tank(name, mass=_good(1.0))._replace(reference_temperature_c=reference_c)


def test_standard_volumes_say_at_which_temperature_they_are() -> None:
    """60 degF is (60 - 32) / 1.8 = 15.556 degC: half a degree of diesel is 0.05 %, and GSV at 15 degC is another."""
    assert _said_of(_at("TK-1", 15.0), _at("TK-2", None)) == ["GSV at 15 °C"]
    assert _said_of(_at("TK-1", 28.0 / 1.8), _at("TK-2", 15.0), _at("TK-3", 15.0), _at("TK-4", 20.0)) == [
        "GSV at 15 °C; of TK-1 at 60 °F; of TK-4 at 20 °C"
    ]
    assert _said_of(_at("TK-1", None)) == []


def _said_of(*tanks: Inventory) -> list[str]:
    return [line for line in total_lines(_views(*tanks)) if line.startswith("GSV")]


def test_a_total_leaves_bad_out_and_counts_it() -> None:
    uncertain = Figure(50.0, Quality.UNCERTAIN, (_BY_HAND,), 2.0)
    none = Figure(None, Quality.GOOD, (Reason(ReasonCode.NOT_APPLICABLE, "no reference volume"),), 0.0)
    assert total([_good(100.0), _bad(), none]) == Total(100.0, 1, 2, False)
    assert total([_good(100.0), uncertain]) == Total(150.0, 2, 2, True)
    assert total([_bad()]) == Total(None, 0, 1, False)
    assert total([none]) is None


def test_totals_say_how_many_tanks_are_in_them() -> None:
    uncertain = Figure(1_000_000.0, Quality.UNCERTAIN, (_BY_HAND,), 2.0)
    views = _views(
        _tank("TK-1", mass=_good(2_000_000.0), gsv=_good(2386.8)),
        _tank("TK-2", mass=uncertain, gsv=_bad()),
        _tank("TK-3", mass=_bad(), gsv=_bad(), simulated=True),
    )
    assert total_lines(views) == [
        "Total gasoline: GSV 2,387 m³ (1 of 3 tanks); mass 3,000.0 t (2 of 3 tanks, estimated)",
        "Total of all products: mass 3,000.0 t (2 of 3 tanks, estimated), SIMULATED",
    ]


def test_mass_is_that_of_liquid_and_vapour_where_both_are_counted() -> None:
    """40.15 t of liquid and 0.81 t of vapour: what evaporates is not lost."""
    views = _views(
        _tank("TK-1", mass=_good(2_000_000.0)),
        _tank("B-2", mass=_good(40_150.0), vapour_mass=_good(810.0), total_mass=_good(40_960.0)),
    )
    row = " ".join(plain_lines(tank_grid(views))[2].split())
    assert row == "B-2 gasoline 9.412 14.7 n/a n/a 41.0 n/a Good 4 s"
    assert total_lines(views) == [
        "Total gasoline: mass incl. vapour 2,041.0 t (2 of 2 tanks)",
        "Total of all products: mass incl. vapour 2,041.0 t (2 of 2 tanks)",
        "Mass of B-2: liquid and vapour together",
    ]


def test_a_doubtful_vapour_is_a_doubtful_mass() -> None:
    why = Reason(ReasonCode.VAPOUR_PRESSURE_DISAGREES, "vapour pressure 101 kPa absolute is 735 kPa below")
    doubtful = Figure(40_960.0, Quality.UNCERTAIN, (why,), 2.0)
    views = _views(_tank("B-2", mass=_good(40_150.0), vapour_mass=doubtful, total_mass=doubtful))
    assert "41.0?" in plain_lines(tank_grid(views))[1]
    assert notes(views) == [f"B-2: Uncertain (?): {why.text}"]
    assert total_lines(views)[0] == "Total of all products: mass incl. vapour 41.0 t (1 of 1 tanks, estimated)"
    # Of the liquid alone nobody may take the total for known.
    lost = _views(_tank("B-2", mass=_good(40_150.0), vapour_mass=_bad(), total_mass=_bad()))
    assert " ".join(plain_lines(tank_grid(lost))[1].split()) == "B-2 gasoline 9.412 14.7 n/a n/a - n/a Bad 4 s"
    assert total_lines(lost) == [
        "Total of all products: mass incl. vapour - (0 of 1 tanks)",
        "Mass of B-2: liquid and vapour together",
    ]


def test_a_sheet_that_failed_says_nothing_of_vapour() -> None:
    failed = Figure(None, Quality.BAD, (Reason(ReasonCode.CALCULATION_FAILED, "the calculation failed"),), 0.0)
    views = _views(_tank("TK-1", mass=failed, total_mass=failed))
    assert total_lines(views) == ["Total of all products: mass - (0 of 1 tanks)"]


def test_a_total_of_bad_tanks_alone_is_a_dash() -> None:
    views = _views(_tank("TK-1", mass=_bad()))
    assert total_lines(views) == ["Total of all products: mass - (0 of 1 tanks)"]


def _drawn(grid: Grid, width: int) -> str:
    console = Console(width=width, color_system=None)
    with console.capture() as capture:
        console.print(rich_table(grid, width))
    return capture.get()


def test_a_narrow_terminal_loses_columns_but_never_digits() -> None:
    views = _views(_tank("TK-1", mass=_good(2_000_100.0), gsv=_good(2386.8), tov=_good(2395.1), simulated=True))
    wide = _drawn(tank_grid(views), 120)
    assert "gasoline" in wide
    assert "2,395" in wide
    narrow = _drawn(tank_grid(views), 80)
    assert "gasoline" not in narrow
    for kept in ("TK-1", "9.412", "14.7", "2,387", "Good SIMULATED", "4 s"):
        assert kept in narrow
    assert "…" not in narrow
    narrowest = _drawn(tank_grid(views), 30)
    for kept in ("9.412", "Good", "SIMULATED"):
        assert kept in narrowest
    assert "…" not in narrowest


def test_on_a_phone_a_tank_is_one_row_with_its_level_room_limit_and_quality() -> None:
    """62 columns: temperature and GSV go before a row breaks into pieces that nobody can read."""
    state = LevelState(LimitState.ABOVE_CRITICAL_HIGH, None, Quality.GOOD, 0.1, 1.785, 1.851, 1.897)
    tank = _tank("B-4", level=_good(1.969), room=_good(0.0), mass=_good(25e3), gsv=_good(51.4), simulated=True)
    drawn = _drawn(tank_grid(_views(tank._replace(level_state=state))), 62)
    head, _, row, *rest = drawn.splitlines()
    assert head.split() == ["Tank", "Level", "m", "GSV", "m³", "Room", "m³", "Limits", "Quality", "Age"]
    assert row.split()[:5] == ["B-4", "1.969", "51.4", "0.0", "ABOVE"]
    assert " ".join(rest).split() == ["CRITICAL", "SIMULATED", "HIGH", "1.897", "m"]


@pytest.mark.parametrize("width", range(20, 140, 5))
def test_every_cell_that_is_shown_is_shown_in_full(width: int) -> None:
    rows = (("TK-1", "9.412", "words that may run over several lines", "59 s"), ("TK-22", "11.204", "short", "9 s"))
    columns = (
        Column("Tank"),
        Column("Level m", right=True, drop_first=1),
        Column("Why", wraps=True),
        Column("Age", right=True),
    )
    drawn = _drawn(Grid(columns, rows), width)
    assert "…" not in drawn
    words = drawn.split()
    for word in ("TK-1", "TK-22", "several", "lines", "59", "9"):
        assert word in words
    assert ("9.412" in words) == ("11.204" in words)


def test_a_name_from_outside_cannot_steer_the_terminal() -> None:
    grid = Grid((Column("Tank"),), (("\x1b[2J[bold]TK",),))
    assert plain_lines(grid) == ["Tank", "?[2J[bold]TK"]
    assert "?[2J[bold]TK" in _drawn(grid, 80)


def _state(limit: LimitState, roof: RoofZone | None = None) -> LevelState:
    return LevelState(limit, roof, Quality.GOOD, 0.9, 13.2, 13.55, 13.95)


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (LimitState.BELOW_MINIMUM, "below minimum 0.900 m"),
        (LimitState.ABOVE_MAXIMUM_WORKING, "above maximum working 13.200 m"),
        (LimitState.ABOVE_HIGH_HIGH, "ABOVE HIGH-HIGH 13.550 m"),
        (LimitState.ABOVE_CRITICAL_HIGH, "ABOVE CRITICAL HIGH 13.950 m"),
    ],
)
def test_a_level_beyond_a_limit_never_looks_normal(limit: LimitState, words: str) -> None:
    """Every figure Good: the row and a note say it all the same, and beyond high-high the row stands out."""
    views = _views(_tank("TK-1")._replace(level_state=_state(limit)))
    assert words in " ".join(plain_lines(tank_grid(views))[1].split())
    assert notes(views) == [f"TK-1: {words}"]
    (style,) = tank_grid(views).styles
    assert ("red" in style) is words.startswith("ABOVE")


def test_a_landed_roof_says_what_it_means() -> None:
    views = _views(_tank("TK-1")._replace(level_state=_state(LimitState.BELOW_MINIMUM, RoofZone.LANDED)))
    assert "below minimum 0.900 m, roof landed Good" in " ".join(plain_lines(tank_grid(views))[1].split())
    assert notes(views)[1] == "TK-1: roof landed: vapour hazard, follow site procedure"


def test_the_age_is_that_of_what_is_measured_and_not_of_a_dip() -> None:
    """Yesterday's temperature by hand does not tell whether the level is live; where all is by hand, the sheet does."""
    by_hand = Figure(61.2, Quality.UNCERTAIN, (_BY_HAND,), 86_400.0, manual=True)
    live = _views(_tank("A-1", liquid_temperature=by_hand))
    assert plain_lines(tank_grid(live))[1].rstrip().endswith(" 2 s")
    dipped = view_of(_tank("A-2", level=by_hand, liquid_temperature=by_hand), NOON + timedelta(seconds=7))
    assert plain_lines(tank_grid([dipped]))[1].rstrip().endswith(" 7 s")


def test_beside_a_bad_figure_stands_its_last_good_value_with_its_age() -> None:
    lost = _tank("TK-1", level=_bad(), tov=_bad())._replace(
        last_good={
            "level": LastGood(9.412, NOON.timestamp() - 240.0),
            "tov": LastGood(2395.1, NOON.timestamp() - 240.0),
        }
    )
    assert notes([view_of(lost)])[-1] == "TK-1: last Good 4 min ago: Level 9.412 m, TOV 2,395 m³"


def test_the_last_good_mass_is_of_what_the_column_shows() -> None:
    """Where vapour is counted the column is liquid and vapour: 25.3 t, of which 25.0 t are liquid."""
    lost = _tank("B-4", level=_bad(), mass=_bad(), total_mass=_bad())
    then = NOON.timestamp() - 32.0
    lost = lost._replace(last_good={"mass": LastGood(25_000.0, then), "total_mass": LastGood(25_300.0, then - 60.0)})
    assert notes([view_of(lost)])[-1] == "B-4: last Good 92 s ago: Mass 25.3 t"


def test_a_gauge_that_is_lost_above_a_limit_does_not_hide_it() -> None:
    state = LevelState(LimitState.UNKNOWN, None, Quality.BAD, 0.5, 8.0, 8.5, 9.0)
    lost = _tank("TK-1", level=_bad())._replace(level_state=state)
    low, high = ({"level": LastGood(level_m, NOON.timestamp() - 5.0)} for level_m in (7.0, 8.6))
    (calm,), (pressing,) = _views(lost._replace(last_good=low)), _views(lost._replace(last_good=high))
    assert " no level  " in plain_lines(tank_grid([calm]))[1]
    assert " no level, was ABOVE HIGH-HIGH 8.500 m  " in plain_lines(tank_grid([pressing]))[1]
    assert not any("known" in line for line in notes([calm]))
    assert notes([pressing])[0] == "TK-1: when its level was last known: ABOVE HIGH-HIGH 8.500 m"
    assert tank_grid([pressing]).styles == ("bold red",)


def test_a_tank_without_limits_does_not_look_as_if_it_were_within_them() -> None:
    unlimited = _tank("TK-1")._replace(level_state=LevelState(LimitState.NORMAL, None, Quality.GOOD))
    limited = _tank("TK-2")._replace(level_state=LevelState(LimitState.NORMAL, None, Quality.GOOD, None, 13.2))
    _, first, second = plain_lines(tank_grid(_views(unlimited, limited)))
    assert "none set" in first
    assert "none set" not in second


def test_each_reason_is_told_once() -> None:
    doubtful = Figure(1.0, Quality.UNCERTAIN, (_NO_ANSWER,), 2.0)
    views = _views(_tank("TK-1", level=_bad(), mass=doubtful))
    assert sum("LT-1 did not answer" in line for line in notes(views)) == 1
    assert notes(views)[1] == "TK-1: Uncertain (?): for the same reasons"


def test_what_ends_soon_is_told() -> None:
    soon, past = NOON + timedelta(hours=30), NOON - timedelta(hours=1)
    sheet = _tank("TK-1")._replace(endings=(Ending("reference_density", soon), Ending("water", past)))
    assert notes([view_of(sheet)]) == [
        "TK-1: reference density ends 2026-03-15 18:00 UTC: enter a new one",
        "TK-1: free-water level by hand ended 2026-03-14 11:00 UTC: enter a new one",
    ]


def test_other_columns_on_demand() -> None:
    views = _views(_tank("TK-1", weight_in_air=_good(1_997_500.0), pumpable=_good(2166.09)))
    header, row = plain_lines(tank_grid(views, columns=("weight_in_air", "pumpable")))
    assert " ".join(header.split()) == "Tank Product Liquid in air t Pumpable m³ Limits Quality Age"
    assert " ".join(row.split()) == "TK-1 gasoline 1,997.5 2,166 Good 4 s"
