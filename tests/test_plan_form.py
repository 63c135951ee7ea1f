"""A plan read back from the text that its id was made from: the same plan, the same sheet."""

from pathlib import Path

import pytest

from gateway.plan_form import PlanFormError, plan_from
from gateway.plan_id import id_of, plan_ids, plan_text
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.settings.test_demo_site import NOW
from tests.site_fuzz.through_gateway import NOON, taken

SITES = range(5_000_000, 5_000_240, 12)


def check(site: SiteSettings) -> None:
    maps = {each.tag: each.map for line in site.lines for each in line.instruments}
    for tank in site.tanks:
        text = plan_text(tank.plan, tank.binding, tank.period_s, maps)
        assert id_of(text) == plan_ids(tank.plan, tank.binding, tank.period_s, maps).plan
        kept = plan_from(text)
        assert kept == (tank.plan, tank.binding, tank.period_s)
        assert plan_text(kept.plan, kept.binding, kept.period_s, maps) == text


@pytest.mark.parametrize("seed", SITES)
def test_the_plans_of_random_sites_are_read_back_whole(seed: int, tmp_path: Path) -> None:
    _, path = taken(seed, tmp_path, 1)
    check(load_site(path, now=NOON))


@pytest.mark.parametrize("name", ["demo/site.yaml", "site.yaml", "one_tank.yaml"])
def test_the_plans_of_the_sites_that_come_with_the_program_are(name: str) -> None:
    check(load_site(config_path(name), now=NOW))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"[]", "not enough values"),
        (b"no", "Expecting value"),
        (b'[["TankPlan",{"colour":"red"}],1.0,{},["TankBinding",{"tank":"a"}]]', "TankPlan has no colour"),
        (b'[["Barrel",{}],1.0,{},["TankBinding",{"tank":"a"}]]', "this version has no Barrel"),
        (b'[["TankPlan",{}],1.0,{},["TankBinding",{"tank":"a"}]]', "missing"),
    ],
)
def test_what_is_no_plan_of_this_version_says_so(text: bytes, why: str) -> None:
    with pytest.raises(PlanFormError, match=why):
        plan_from(text)
