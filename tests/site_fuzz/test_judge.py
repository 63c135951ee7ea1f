"""The judge can fail: what is shifted, claimed without ground or left out is named; what is honest is not."""

import tempfile
from pathlib import Path

import pytest

from gateway.records import Figure, Inventory, Quality
from tests.site_fuzz.judge import judge
from tests.site_fuzz.through_gateway import load, sheets_of
from tests.site_fuzz.world.draw_site import Moment, Seen, draw_site


@pytest.fixture(scope="module")
def good() -> tuple[Seen, Moment, Inventory]:
    """A sheet of a random site that is Good all through, of a product with a reference volume."""
    site = draw_site(0)
    with tempfile.TemporaryDirectory() as folder:
        setups = load(site, Path(folder))
    for seen in site.tanks:
        for moment, sheet in zip(seen.moments, sheets_of(setups[seen.tank.tag], seen), strict=True):
            plain = seen.tank.gauge.measures != "pressure" and len(sheet.elements) > 1 and sheet.figures.gsv.value
            if plain and sheet.quality is Quality.GOOD and not judge(seen.tank, moment, sheet):
                return seen, moment, sheet
    raise AssertionError("no Good sheet")


def changed(sheet: Inventory, **figures: Figure) -> Inventory:
    return sheet._replace(figures=sheet.figures._replace(**figures))


@pytest.mark.parametrize("name", ["level", "liquid_temperature", "tov", "gov", "ctl", "gsv", "mass", "weight_in_air"])
def test_a_figure_that_is_a_millionth_off_is_named(good: tuple[Seen, Moment, Inventory], name: str) -> None:
    seen, moment, sheet = good
    figure: Figure = getattr(sheet.figures, name)
    assert figure.value is not None
    shifted = changed(sheet, **{name: figure._replace(value=figure.value * (1.0 + 1e-6))})
    assert name in {each.figure for each in judge(seen.tank, moment, shifted)}


def test_an_uncertain_figure_is_not_judged_and_a_bad_one_may_have_no_value(
    good: tuple[Seen, Moment, Inventory],
) -> None:
    seen, moment, sheet = good
    figure = sheet.figures.mass
    assert figure.value is not None
    doubtful = figure._replace(value=figure.value * 2.0, quality=Quality.UNCERTAIN)
    assert not judge(seen.tank, moment, changed(sheet, mass=doubtful))
    assert not judge(seen.tank, moment, changed(sheet, mass=figure._replace(value=None, quality=Quality.BAD)))
    bad_with_value = changed(sheet, mass=figure._replace(quality=Quality.BAD))
    assert [each.figure for each in judge(seen.tank, moment, bad_with_value)] == ["mass"]


def test_a_good_figure_without_a_value_where_there_is_one_is_named(good: tuple[Seen, Moment, Inventory]) -> None:
    seen, moment, sheet = good
    assert judge(seen.tank, moment, changed(sheet, gsv=sheet.figures.gsv._replace(value=None)))


def test_an_element_that_is_not_covered_must_not_be_used(good: tuple[Seen, Moment, Inventory]) -> None:
    seen, moment, sheet = good
    flipped = tuple(use._replace(used=not use.used) for use in sheet.elements)
    assert "liquid_temperature" in {each.figure for each in judge(seen.tank, moment, sheet._replace(elements=flipped))}
