"""The stock of the site now: what is in each total, what is left out and why, and what makes it an estimate."""

from datetime import timedelta

import pytest

from gateway.account.gauging import Gauging
from gateway.account.stock import Stock, stock_of
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.tank_state import Motion
from tests.support.account_days import at, bad_gauging, gauging, plan

NOW = at("2026-11-27 12:00")
PLAN = plan(owners={"TK-1": "Harbour Co-op", "TK-2": "Harbour Co-op"})
PRODUCTS = {"TK-1": "diesel", "TK-2": "diesel", "TK-3": "diesel", "J-1": "jet"}


def stock(*sheets: Gauging, products: dict[str, str] = PRODUCTS) -> Stock:
    return stock_of(PLAN, {sheet.tank: sheet for sheet in sheets}, products, NOW)


ALL = (
    gauging("TK-1", NOW, 500.0),
    gauging("TK-2", NOW - timedelta(seconds=10), 200.0),
    gauging("TK-3", NOW, 100.25),
    gauging("J-1", NOW, 50.0, product="jet", simulated=True, motion=Motion.FILLING),
)


def test_totals_by_product_owner_and_site() -> None:
    found = stock(*ALL)
    assert [(line.product, line.figures["gsv"].figure.value, line.figures["gsv"].tanks) for line in found.products] == [
        ("diesel", 800.25, (3, 3)),
        ("jet", 50.0, (1, 1)),
    ]
    assert [(line.owner, line.product, line.figures["gsv"].figure.value) for line in found.owners] == [
        ("", "diesel", 100.25),
        ("", "jet", 50.0),
        ("Harbour Co-op", "diesel", 700.0),
    ]
    assert (found.site.product, found.site.owner, found.site.figures["mass"].figure.value) == ("", None, 680_200.0)
    assert found.site.figures["mass"].figure.quality is Quality.GOOD
    assert not found.site.figures["mass"].is_estimated
    assert (found.site.moving, found.products[1].simulated, found.products[0].simulated) == (("J-1",), True, False)
    assert found.oldest == NOW - timedelta(seconds=10)
    diesel = found.products[0].figures
    assert (diesel["pumpable"].figure.value, diesel["room"].figure.value) == (500.25, 2199.75)


def test_a_tank_without_a_sheet_is_left_out_and_named() -> None:
    diesel = stock(*ALL[1:]).products[0].figures["gsv"]
    assert (diesel.figure.value, diesel.tanks, diesel.is_estimated) == (300.25, (2, 3), True)
    assert [(tank, reason.text) for tank, reason in diesel.excluded] == [("TK-1", "it has no sheet yet")]
    assert "TK-1 is not in it: it has no sheet yet" in [reason.text for reason in diesel.figure.reasons]


@pytest.mark.parametrize(("age_s", "is_in"), [(900.0, True), (901.0, False)])
def test_a_tank_of_which_nothing_new_comes_is_left_out(age_s: float, is_in: bool) -> None:
    old = gauging("TK-1", NOW - timedelta(seconds=age_s), 500.0)
    diesel = stock(old, *ALL[1:]).products[0].figures["gsv"]
    assert diesel.tanks == ((3, 3) if is_in else (2, 3))
    assert [reason.code for _, reason in diesel.excluded] == ([] if is_in else [ReasonCode.STALE])


def test_a_lost_level_is_left_out_and_an_uncertain_one_is_an_estimate() -> None:
    doubtful = gauging("TK-2", NOW, 200.0, quality=Quality.UNCERTAIN)
    diesel = stock(bad_gauging("TK-1", NOW), doubtful, ALL[2]).products[0].figures["gsv"]
    assert (diesel.figure.value, diesel.tanks, diesel.is_estimated) == (300.25, (2, 3), True)
    assert diesel.excluded[0][0] == "TK-1"
    assert diesel.excluded[0][1].text == "the gauge did not answer"
    assert "TK-2: one element has failed" in [reason.text for reason in diesel.figure.reasons]


def test_no_figure_at_all_is_bad_and_never_nothing() -> None:
    found = stock(bad_gauging("J-1", NOW, product="jet"))
    for line in (found.site, *found.products):
        assert (line.figures["gsv"].figure.value, line.figures["gsv"].figure.quality) == (None, Quality.BAD)
        assert line.figures["gsv"].tanks[0] == 0
        assert line.figures["gsv"].excluded


def test_what_does_not_apply_is_not_counted_as_missing() -> None:
    propane = gauging("B-2", NOW, 100.0, product="propane", without=("gsv", "nsv"))
    found = stock(propane, ALL[0], products={"B-2": "propane", "TK-1": "diesel"})
    assert found.site.figures["gsv"].tanks == (1, 1)
    assert found.site.figures["mass"].tanks == (2, 2)
    assert "gsv" not in found.products[1].figures


def test_none_detected_is_nothing_and_is_in_it() -> None:
    none = Figure(None, Quality.GOOD, (Reason(ReasonCode.NONE_DETECTED, "the probe is dry"),), 0.0)
    water = stock(gauging("TK-1", NOW, 500.0, free_water=none), gauging("TK-2", NOW, 200.0, free_water=3.0))
    assert water.products[0].figures["free_water"].figure.value == 3.0
    assert water.products[0].figures["free_water"].tanks == (2, 3)


def test_the_product_is_that_of_the_sheet() -> None:
    changed = stock(gauging("TK-3", NOW, 10.0, product="jet"), *ALL[:2], ALL[3])
    assert [(line.product, line.members) for line in changed.products] == [
        ("diesel", ("TK-1", "TK-2")),
        ("jet", ("J-1", "TK-3")),
    ]
