"""What the page is told of a site: valid, and what the site file says."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import orjson
import pytest

from gateway.page_site import Told, site_pieces
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.support.messages import valid_message

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
_TOLD = Told("1.2.3", "ab" * 16, 60.0)


def _settings(*path: str) -> SiteSettings:
    return load_site(config_path(*path), now=NOW)


def _document(settings: SiteSettings) -> dict[str, Any]:
    watched = [(setup.plan, setup.binding) for setup in settings.tanks]
    return valid_message(b"".join(site_pieces(settings, watched, _TOLD)))


@pytest.mark.parametrize(
    "path", [("one_tank.yaml",), ("site.yaml",), ("demo", "site.yaml"), ("examples", "paint_works.yaml")]
)
def test_every_site_has_one(path: tuple[str, ...]) -> None:
    settings = _settings(*path)
    document = _document(settings)
    assert list(document["tanks"]) == [setup.plan.tank for setup in settings.tanks]
    assert document["simulated"] == settings.simulated
    assert {tank["product"] for tank in document["tanks"].values()} == set(document["products"])
    for setup in settings.tanks:
        told = document["tanks"][setup.plan.tank]
        assert told["lowest"] < told["full"] <= told["reference_height"] == setup.plan.reference_height_m
        levels = [each["level"] for each in told["limits"]]
        assert levels == sorted(levels)
        assert [each["height"] for each in told["elements"]] == list(setup.plan.temperature.heights_m)


def test_the_demo_is_told_as_its_file_has_it() -> None:
    """As config/demo/site.yaml prints it."""
    document = _document(_settings("demo", "site.yaml"))
    assert (document["name"], document["version"], document["time_factor"]) == ("demo", "1.2.3", 60.0)
    assert any("overfill" in each for each in document["cautions"])
    assert any("custody" in each for each in document["cautions"])
    tank = document["tanks"]["TK-101"]
    assert tank["kind"] == "upright_cylinder"
    assert tank["instruments"]["level"] == "LT-101"
    assert tank["reference_temperature"] == {"value": 15.0, "unit": "degC"}
    assert [each["limit"] for each in tank["limits"]] == ["minimum", "maximum_working", "high_high", "critical_high"]


def test_a_tank_is_told_with_everything_that_feeds_it() -> None:
    """As config/demo/depot.yaml and config/site.yaml print it: also what tells of flow, and elements of their own."""
    tanks = _document(_settings("demo", "depot.yaml"))["tanks"]
    assert tanks["TK-11"]["fed_by"] == ["LT-11", "WT-11", "TT-11"]
    assert "FT-31" in tanks["TK-31"]["fed_by"]
    for setup in _settings("site.yaml").tanks:
        told = _document(_settings("site.yaml"))["tanks"][setup.plan.tank]["fed_by"]
        assert len(set(told)) == len(told)
        assert set(told) == {source.instrument for source in setup.binding.sources}


def test_a_tank_is_told_with_what_it_holds_now() -> None:
    settings = _settings("one_tank.yaml")
    (setup,) = settings.tanks
    other = replace(setup.plan, product=replace(setup.plan.product, name="naphtha"))
    document = valid_message(b"".join(site_pieces(settings, [(other, setup.binding)], _TOLD)))
    assert document["tanks"][setup.plan.tank]["product"] == "naphtha"
    assert list(document["products"]) == ["naphtha"]


def test_a_tank_that_the_file_no_longer_has_is_not_told() -> None:
    """In the moment of a reload the two may differ."""
    settings = _settings("one_tank.yaml")
    watched = [(setup.plan, setup.binding) for setup in settings.tanks]
    made = b"".join(site_pieces(replace(settings, tanks=()), watched, _TOLD))
    assert orjson.loads(made)["tanks"] == {}
