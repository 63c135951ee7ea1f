"""A tank with another product is what the site file would make of it: built alike, or refused in the same words."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.errors import SettingsError
from gateway.resources import config_path
from gateway.settings import SiteSettings, TankSetup, load_site
from tests.settings.yard import NOW, load

SITE = config_path("site.yaml")
"""Every key there is: tanks with a blanket, by pressure, under pressure, of a solution and of an oil."""
_SHAPE = "shape: {kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}, reference_height: 15.240 m"


@pytest.fixture(scope="module")
def site() -> SiteSettings:
    return load_site(SITE, now=NOW)


@pytest.mark.parametrize(
    ("tank", "product"),
    [
        ("TK-2", "propane"),
        ("TK-2", "heating_oil"),
        ("TK-2", "gasoline"),
        ("TK-3", "brine"),
        ("TK-3", "diesel"),
        ("TK-4", "ethanol"),
        ("TK-5", "butane"),
        ("TK-5", "caustic"),
        ("TK-6", "demineralised_water"),
        ("TK-7", "vegetable_oil"),
        ("TK-7", "lamp_oil"),
    ],
)
def test_it_is_built_as_by_a_site_file_that_names_it(site: SiteSettings, tank: str, product: str) -> None:
    """Of tanks without a sample of their own, which would be of the product that they hold."""
    expected: TankSetup | tuple[str, ...]
    found: TankSetup | tuple[str, ...]
    try:
        by_file = load_site(SITE, {f"tanks.{tank}.product": product}, NOW)
        expected = next(each for each in by_file.tanks if each.plan.tank == tank)
    except SettingsError as error:
        expected = error.mistakes
    try:
        found, _ = site.other_products.setup(tank, product, NOW)
    except SettingsError as error:
        found = error.mistakes
    assert found == expected


def test_some_are_refused_and_some_are_not(site: SiteSettings) -> None:
    """Else the comparison above would prove little."""
    assert site.other_products.setup("TK-5", "butane", NOW)[0].plan.product.name == "butane"
    with pytest.raises(SettingsError, match=r"tanks.TK-2.pressurised: lpg_tp27 holds"):
        site.other_products.setup("TK-2", "propane", NOW)
    with pytest.raises(SettingsError, match=r"tanks.TK-7.product: there is no product 'lamp_oil'"):
        site.other_products.setup("TK-7", "lamp_oil", NOW)


def test_its_samples_go_with_its_product_and_a_density_that_is_given_takes_their_place(site: SiteSettings) -> None:
    before = next(each for each in site.tanks if each.plan.tank == "TK-1")
    assert before.binding.sediment_water is not None
    with pytest.raises(SettingsError, match=r"tanks.TK-1.density: is missing; product diesel gives no"):
        site.other_products.setup("TK-1", "diesel", NOW)
    given = {"value": "838 kg/m3", "entered": "2026-11-25T06:00Z", "expires": "31 d"}
    found, _ = site.other_products.setup("TK-1", "diesel", NOW, density=given)
    assert (found.plan.product.name, found.binding.sediment_water) == ("diesel", None)
    assert found.binding.reference_density is not None
    assert found.binding.reference_density.value == 838.0
    assert found.plan.capacity is before.plan.capacity, "no table is read again"
    elsewhere, _ = site.other_products.setup("TK-1", "diesel", NOW, density_elsewhere=True)
    assert elsewhere.binding.reference_density is None
    again, _ = site.other_products.setup("TK-1", "heating_oil", NOW)
    assert again == before, "and the site file is as it was"


def test_samples_older_than_what_the_tank_holds_are_left_out(tmp_path: Path) -> None:
    sample = "density: {value: 842 kg/m3, entered: 2026-11-20T06:00Z, expires: 31 d}"
    method = "method: api_11_1_2004, group: refined, reference_temperature: 15 degC"
    products = f"{{diesel: {{{method}, reference_density: 838 kg/m3}}}}"
    parts = Path(__file__).parents[1] / "invalid_site_files" / "parts"
    top = f"include_from: {parts}\ninclude: [{parts}/site.yaml, {parts}/instruments.yaml]\nproducts: {products}"
    level = "level: {instrument: G-1, signal: innage, measures: innage}, free_water: none"
    settings = load(tmp_path, f"{top}\ntanks:\n  TK-1: {{product: diesel, {_SHAPE}, {level}, {sample}}}\n")
    others = settings.other_products
    dated = datetime(2026, 11, 20, 6, tzinfo=UTC)
    assert not others.older_samples("TK-1", dated)
    assert others.older_samples("TK-1", NOW)
    for since, expected in ((dated, 842.0), (NOW, 838.0)):
        density = others.setup("TK-1", "diesel", NOW, since=since)[0].binding.reference_density
        assert density is not None
        assert density.value == expected
