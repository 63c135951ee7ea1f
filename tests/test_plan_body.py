"""A plan made again from its text is the same, and so are the sheets that are made by it."""

import importlib
from collections.abc import Iterator
from dataclasses import is_dataclass
from pathlib import Path

import pytest

from gateway import plan_body
from gateway.calculation.plan import TankPlan
from gateway.calculation.remembered import calculated_again
from gateway.plan_body import PlanBodyError, kinds, plan_from
from gateway.plan_id import id_of, plan_ids, plan_text
from gateway.resources import config_folder
from gateway.settings import SiteSettings, load_site
from tests.settings.test_demo_site import NOW
from tests.site_fuzz.through_gateway import NOON, load, taken
from tests.test_tank_record import Watch, assert_alike, through_json

SITES = range(3_000_000, 3_000_160, 20)
SITE_FILES = [
    config_folder() / "demo" / "site.yaml",
    config_folder() / "one_tank.yaml",
    config_folder() / "site.yaml",
    *sorted((config_folder() / "examples").glob("*.yaml")),
]


def texts_of(site: SiteSettings) -> Iterator[tuple[TankPlan, str, bytes]]:
    maps = {each.tag: each.map for line in site.lines for each in line.instruments}
    for tank in site.tanks:
        plan_id, text = plan_text(tank.plan, tank.binding, tank.period_s, maps)
        assert plan_id == plan_ids(tank.plan, tank.binding, tank.period_s, maps).plan
        yield tank.plan, plan_id, text


@pytest.mark.parametrize("path", SITE_FILES, ids=lambda path: path.stem)
def test_the_plans_of_the_sites_that_come_with_the_program_are_made_again(path: Path) -> None:
    for plan, plan_id, text in texts_of(load_site(path, now=NOW)):
        assert plan_from(plan_id, text) == plan


@pytest.mark.parametrize("seed", SITES)
def test_the_plans_of_random_sites_are_made_again_and_make_the_same_sheets(seed: int, tmp_path: Path) -> None:
    site, path = taken(seed, tmp_path)
    texts = {plan.tank: plan_from(plan_id, text) for plan, plan_id, text in texts_of(load_site(path, now=NOON))}
    setups = load(site, tmp_path)
    for seen in site.tanks:
        setup = setups[seen.tank.tag]
        again = texts[setup.plan.tank]
        assert again == setup.plan
        for record in Watch(setup).see(seen):
            assert_alike(calculated_again(again, through_json(record)), record.inventory)


def one() -> tuple[TankPlan, str, bytes]:
    (found,) = texts_of(load_site(config_folder() / "one_tank.yaml", now=NOW))
    return found


def test_no_two_kinds_have_one_name() -> None:
    """Else one would be taken for the other."""
    folder = Path(plan_body.__file__).parent / "calculation"
    modules = [path.relative_to(folder.parent.parent).with_suffix("").parts for path in folder.rglob("*.py")]
    classes = [
        each
        for parts in modules
        if parts[2] not in ("doubts", "history")
        for each in vars(importlib.import_module(".".join(parts))).values()
        if isinstance(each, type) and each.__module__ == ".".join(parts)
    ]
    with_fields = [each for each in classes if is_dataclass(each) or hasattr(each, "_fields")]
    assert len(with_fields) == len({each.__name__ for each in with_fields}) == len(kinds())
    assert all(kinds()[each.__name__] is each for each in with_fields)


def test_what_is_damaged_or_of_another_version_is_refused_with_what_it_is() -> None:
    _, plan_id, text = one()
    with pytest.raises(PlanBodyError, match="is damaged"):
        plan_from(plan_id, text.replace(b"TK-1", b"TK-2"))
    renamed = text.replace(b"TemperaturePlan", b"HeatPlan")
    with pytest.raises(PlanBodyError, match="has a part 'HeatPlan', which this version does not know"):
        plan_from(id_of(renamed), renamed)
    more = text.replace(b'"gravity_m_s2"', b'"gravitation_m_s2"')
    with pytest.raises(PlanBodyError, match="which this version does not know"):
        plan_from(id_of(more), more)


def test_a_field_that_a_plan_has_got_since_takes_its_default() -> None:
    plan, _, text = one()
    older = text.replace(b'"blanketed":false,', b"")
    assert older != text
    assert plan_from(id_of(older), older) == plan
