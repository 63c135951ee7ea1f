"""Uncertainties by the rules of GUM: against a public worked example, by hand, and by Monte Carlo (JCGM 101)."""

from datetime import timedelta
from math import exp, pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.amount import AmountKind
from gateway.account.gauging import Gauging
from gateway.account.ticket import TicketSide
from gateway.account.transfer import TransferKind
from gateway.account.uncertainty import (
    USUAL,
    Uncertainties,
    area_between,
    combined,
    expanded,
    expansion_of,
    of_document,
    of_gauging,
    of_sides,
    together,
)
from gateway.sources import LevelSource, TemperatureSource
from tests.support.account_days import amount, at, bad_gauging, gauging, ticket

NOW = at("2026-11-27 12:00")
HOUR = timedelta(hours=1)
NOTHING = Uncertainties(*([0.0] * len(Uncertainties._fields)))


def known(gauging: Gauging, measure: str, using: Uncertainties, area_m2: float | None = None) -> float:
    budget = of_gauging(gauging, measure, using, area_m2=area_m2)
    assert budget is not None
    return combined(budget)


@pytest.mark.outside("Mechanical engineering metrology and measurements (public lecture notes): volume of a cylinder")
def test_a_worked_example_of_a_cylinder() -> None:
    """Inputs and relation as printed there: radius 15 m with 0.1 m, length 50 m with 0.5 m, and
    u^2 = (2 pi r L u_r)^2 + (pi r^2 u_L)^2 (the law of JCGM 100, equation 10). The radius is the table here: it scales
    the volume by 2 u_r / r; the length is the level."""
    volume = pi * 15.0**2 * 50.0
    using = NOTHING._replace(table=2.0 * 0.1 / 15.0, gauge_m=0.5)
    upright = gauging("TK-1", NOW, volume, level=50.0)
    assert known(upright, "tov", using) == pytest.approx(
        sqrt((2 * pi * 15.0 * 50.0 * 0.1) ** 2 + (pi * 15.0**2 * 0.5) ** 2), rel=1e-12
    )


@pytest.mark.outside("hand arithmetic")
def test_level_and_temperature_by_hand() -> None:
    """A tank of 50 m: 1 mm is 1.963 m3. Of 15 000 m3 at 8.4e-4 /K a tenth of a kelvin is 1.26 m3."""
    area = pi * 50.0**2 / 4.0
    tank = gauging("TK-1", NOW, 15_000.0, level=15_000.0 / area)
    assert known(tank, "gov", NOTHING._replace(gauge_m=0.001)) == pytest.approx(1.9635, abs=1e-4)
    warm = 8.4e-4 * 10.0
    tank = gauging("TK-1", NOW, 15_000.0, liquid_temperature=25.0, ctl=exp(-warm * (1 + 0.8 * warm)))
    per_kelvin = 15_000.0 * 8.4e-4 * (1 + 1.6 * warm)
    assert known(tank, "gsv", NOTHING._replace(temperature_k=0.1)) == pytest.approx(0.1 * per_kelvin, rel=1e-9)
    assert 0.1 * per_kelvin == pytest.approx(1.26, rel=0.02)


def test_what_two_gaugings_of_one_tank_share_cancels_as_far_as_it_is_the_same() -> None:
    opening, closing = gauging("TK-1", NOW - HOUR, 200.0), gauging("TK-1", NOW, 500.0)
    sides = ticket(1, TransferKind.RECEIPT, (opening, closing)).sides

    def moved(**given: float) -> float:
        return of_sides(sides, NOTHING._replace(**given))["gov"] / 2.0

    assert moved(gauge_m=0.01) == pytest.approx(0.0, abs=1e-12), "the mounting of the gauge is at both ends"
    assert moved(gauge_each_m=0.001) == pytest.approx(sqrt(2.0) * 0.1), "each reading is by itself"
    assert moved(table=0.01) == pytest.approx(3.0), "the table is wrong by a part of what was moved"
    assert known(closing, "gov", NOTHING._replace(table=0.01)) == pytest.approx(5.0)


def test_two_tanks_share_nothing_but_a_source_of_documents() -> None:
    one, other = (of_gauging(gauging(tank, NOW, 300.0), "gov") for tank in ("TK-1", "TK-2"))
    assert one is not None
    assert other is not None
    both = combined(together([(1.0, one), (-1.0, other)]))
    assert both == pytest.approx(sqrt(combined(one) ** 2 + combined(other) ** 2), rel=1e-12)
    documents = [of_document(amount(number, AmountKind.DISPATCH, 30.0, NOW)) for number in (1, 2)]
    sum_of_both = combined(together((1.0, each) for each in documents))
    # The meter is wrong in the same way twice; what each reading adds is by itself.
    assert sum_of_both == pytest.approx(sqrt((60.0 * USUAL.document) ** 2 + 2 * (30.0 * USUAL.document_each) ** 2))


def test_a_document_of_a_receipt_does_not_take_the_error_of_a_dispatch_back() -> None:
    into, out = (of_document(amount(1, kind, 30.0, NOW)) for kind in (AmountKind.RECEIPT, AmountKind.DISPATCH))
    alone = combined(together([(1.0, into)]))
    assert combined(together([(1.0, into), (-1.0, out)])) > 1.2 * alone


def test_a_ticket_of_two_tanks_is_of_what_the_receiving_one_took_in() -> None:
    pairs = (
        (gauging("TK-1", NOW - HOUR, 500.0), gauging("TK-1", NOW, 200.0)),
        (gauging("TK-2", NOW - HOUR, 100.0), gauging("TK-2", NOW, 400.0)),
    )
    moved = of_sides(ticket(1, TransferKind.TANK_TO_TANK, *pairs).sides)
    assert moved == of_sides(ticket(1, TransferKind.RECEIPT, pairs[1]).sides)
    both = of_sides(ticket(1, TransferKind.DISPATCH, pairs[0], (pairs[1][1], pairs[1][0])).sides)
    assert both["gsv"] == pytest.approx(sqrt(2.0) * moved["gsv"], rel=0.01)


def test_a_lost_figure_is_left_out() -> None:
    lost = bad_gauging("TK-1", NOW)
    assert of_gauging(lost, "gsv") is None
    side = TicketSide("TK-1", ticket_side().direction, gauging("TK-1", NOW - HOUR, 1.0), lost, {})
    assert of_sides([side]) == {}
    assert of_gauging(gauging("TK-1", NOW, 4.0, level=0.04), "gov") is None, "too low to tell the surface"
    assert of_gauging(gauging("TK-1", NOW, 4.0, level=0.04), "gov", area_m2=100.0) is not None


def ticket_side() -> TicketSide:
    return ticket(1, TransferKind.RECEIPT, (gauging("TK-1", NOW - HOUR, 1.0), gauging("TK-1", NOW, 2.0))).sides[0]


def test_a_substitute_is_known_less_well() -> None:
    good = gauging("TK-1", NOW, 500.0)
    guessed = good._replace(sources=good.sources._replace(temperature=TemperatureSource.LAST_GOOD))
    by_pressure = good._replace(sources=good.sources._replace(level=LevelSource.PRESSURE))
    for doubtful in (guessed, by_pressure):
        assert known(doubtful, "gsv", USUAL) > 1.2 * known(good, "gsv", USUAL)


@pytest.mark.parametrize("alpha", [4.5e-4, 8.46e-4, 1.221e-3])
@pytest.mark.parametrize("temperature", [-10.0, 14.0, 16.0, 40.0, 80.0])
def test_the_expansion_is_found_out_of_the_correction(alpha: float, temperature: float) -> None:
    x = alpha * (temperature - 15.0)

    def ctl(at_c: float) -> float:
        x = alpha * (at_c - 15.0)
        return exp(-x * (1.0 + 0.8 * x))

    sheet = gauging("TK-1", NOW, 500.0, liquid_temperature=temperature, ctl=ctl(temperature))
    slope = -(ctl(temperature + 0.01) - ctl(temperature - 0.01)) / 0.02 / ctl(temperature)
    assert expansion_of(sheet) == pytest.approx(slope, rel=1e-5)
    assert slope == pytest.approx(alpha * (1.0 + 1.6 * x), rel=1e-5)


def test_near_the_reference_temperature_the_density_tells_it() -> None:
    # Diesel of 838 kg/m3: 8.46e-4 in the tables of our demo, by the crude oil constant within 5 %.
    assert expansion_of(gauging("TK-1", NOW, 500.0, density=838.0)) == pytest.approx(8.46e-4, rel=0.05)
    assert expansion_of(gauging("TK-1", NOW, 500.0, reference_density=None, observed_density=None)) is None


@given(st.floats(0.2, 12.0), st.floats(0.2, 12.0))
def test_the_surface_between_two_levels(low: float, high: float) -> None:
    area = area_between(gauging("TK-1", NOW, 100.0 * low), gauging("TK-1", NOW, 100.0 * high))
    if abs(high - low) < 0.1:
        assert area is None
    else:
        assert area == pytest.approx(100.0, rel=1e-9)


ALPHA, REFERENCE_C, DENSITY = 8.46e-4, 15.0, 838.0


def drawn(rng: np.random.Generator, count: int, measure: str) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """JCGM 101: what was moved from 2.0 m at 20 degC to 9.0 m at 23 degC into a tank of 254 m2 with 0.05 m of water, by
    a model of its own: level and table to volume, temperature and density to standard volume and mass."""
    area = 254.0
    gauge = rng.uniform(-0.003, 0.003, count) + rng.uniform(-0.003, 0.003, count)
    table = rng.uniform(-0.002, 0.002, count)
    bias = rng.uniform(-0.25, 0.25, count)
    density = DENSITY + rng.normal(0.0, 0.5, count)
    contents = []
    for level, temperature in ((2.0, 20.0), (9.0, 23.0)):
        seen = level + gauge + rng.normal(0.0, 0.0005, count) + rng.normal(0.0, 0.0005, count)
        water = 0.05 + rng.normal(0.0, 0.002, count)
        warm = temperature + bias + rng.normal(0.0, 0.1, count)
        alpha = ALPHA * (DENSITY / density) ** 2
        x = alpha * (warm - REFERENCE_C)
        standard = area * (seen - water) * (1.0 + table) * np.exp(-x * (1.0 + 0.8 * x))
        contents.append(standard * density if measure == "mass" else standard)
    return contents[1] - contents[0]


@pytest.mark.outside("JCGM 101:2008, propagation of distributions by a Monte Carlo method")
@pytest.mark.parametrize("measure", ["gsv", "mass"])
def test_a_ticket_against_monte_carlo(measure: str) -> None:
    pair = []
    for level, temperature, hour in ((2.0, 20.0, 1), (9.0, 23.0, 0)):
        x = ALPHA * (temperature - REFERENCE_C)
        ctl = exp(-x * (1.0 + 0.8 * x))
        tov, water = 254.0 * level, 254.0 * 0.05
        gsv = (tov - water) * ctl
        pair.append(
            gauging(
                "TK-1",
                NOW - hour * HOUR,
                tov,
                level=level,
                liquid_temperature=temperature,
                free_water=water,
                gov=tov - water,
                ctl=ctl,
                gsv=gsv,
                mass=gsv * DENSITY,
                density=DENSITY,
            )
        )
    moved = drawn(np.random.default_rng(16), 200_000, measure)
    stated = of_sides(ticket(1, TransferKind.RECEIPT, (pair[0], pair[1])).sides)[measure]
    assert stated / 2.0 == pytest.approx(float(np.std(moved)), rel=0.03)
    middle = (pair[1].value(measure) or 0.0) - (pair[0].value(measure) or 0.0)
    within = float(np.mean(np.abs(moved - middle) <= stated))
    assert 0.94 < within < 0.99


def test_more_of_anything_is_never_known_better() -> None:
    tank = gauging("TK-1", NOW, 500.0, free_water=5.0, liquid_temperature=20.0, ctl=0.996)
    for name in Uncertainties._fields:
        more = USUAL._replace(**{name: getattr(USUAL, name) * 10.0})
        assert known(tank, "mass", more) >= known(tank, "mass", USUAL)
    assert expanded({"one": 3.0, "other": -4.0}) == 10.0
