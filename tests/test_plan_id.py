"""Which plan a record was made by: the same over comments, order and units, another with any value that counts."""

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from gateway.errors import SettingsError
from gateway.plan_id import PlanIds, plan_ids
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.settings.test_demo_site import NOW
from tests.site_fuzz.through_gateway import NOON, taken

SITES = range(0, 120, 20)


def ids_of(site: SiteSettings) -> dict[str, PlanIds]:
    maps = {each.tag: each.map for line in site.lines for each in line.instruments}
    return {tank.plan.tank: plan_ids(tank.plan, tank.binding, tank.period_s, maps) for tank in site.tanks}


def loaded(path: Path, tree: Any) -> SiteSettings:
    path.write_text(f"# a comment\n{yaml.safe_dump(tree, sort_keys=False, allow_unicode=True)}", "utf-8")
    return load_site(path, now=NOON)


def turned_round(tree: Any) -> Any:
    """The same with the keys of each mapping the other way round."""
    if isinstance(tree, dict):
        return {key: turned_round(tree[key]) for key in reversed(tree)}
    return [turned_round(each) for each in tree] if isinstance(tree, list) else tree


@pytest.mark.parametrize("seed", SITES)
def test_comments_and_the_order_of_keys_make_no_other_plan(seed: int, tmp_path: Path) -> None:
    _, path = taken(seed, tmp_path, 1)
    ids = ids_of(load_site(path, now=NOON))
    assert ids_of(loaded(path, turned_round(yaml.load(path.read_text("utf-8"), yaml.BaseLoader)))) == ids
    assert len({each.plan for each in ids.values()}) == len(ids)


def _numbers(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The paths of all values that begin with a digit other than 0, or a minus."""
    if isinstance(tree, (dict, list)):
        for key, each in tree.items() if isinstance(tree, dict) else enumerate(tree):
            yield from _numbers(each, (*path, key))
    elif tree and (tree[0] in "-123456789"):
        yield path


def with_another_digit(tree: Any, path: tuple[Any, ...]) -> Any:
    """A copy of `tree` with the last digit of the number at `path` another."""
    if not path:
        number = tree.split(" ")[0].rstrip("%")
        place = max(index for index, each in enumerate(number.split("e")[0]) if each.isdigit())
        return f"{tree[:place]}{(int(tree[place]) + 1) % 10}{tree[place + 1 :]}"
    head, *rest = path
    if isinstance(tree, list):
        return [with_another_digit(each, tuple(rest)) if index == head else each for index, each in enumerate(tree)]
    return {key: with_another_digit(each, tuple(rest)) if key == head else each for key, each in tree.items()}


@pytest.mark.parametrize("seed", SITES)
def test_any_value_that_counts_makes_another_plan(seed: int, tmp_path: Path) -> None:
    """Whatever a tank, its product or its instruments say with a number; not the way to an instrument."""
    _, path = taken(seed, tmp_path, 1)
    tree = yaml.load(path.read_text("utf-8"), yaml.BaseLoader)
    ids = ids_of(load_site(path, now=NOON))
    places = [each for each in _numbers(tree) if each[0] in ("tanks", "products", "instruments") and each[-1] != "unit"]
    tried = 0
    for place in random.Random(seed).sample(places, min(8, len(places))):
        try:
            others = ids_of(loaded(path, with_another_digit(tree, place)))
        except SettingsError:
            continue  # another digit makes it invalid
        tried += 1
        assert others != ids, place
    assert tried


def test_a_row_of_a_table_makes_another_plan(tmp_path: Path) -> None:
    sites = (taken(seed, tmp_path, 1) for seed in SITES)
    site, path = next(each for each in sites if any(seen.tank.table is not None for seen in each[0].tanks))
    before = ids_of(load_site(path, now=NOON))
    (tag, *_) = [seen.tank.tag for seen in site.tanks if seen.tank.table is not None]
    table = tmp_path / f"{tag}.csv"
    rows = table.read_text("utf-8").splitlines()
    level, _, volume = rows[-1].partition(",")
    number, *unit = volume.split(" ")
    rows[-1] = ",".join([level, " ".join([f"{float(number) * 1.0001:.9g}", *unit])])
    table.write_text("\n".join(rows), "utf-8")
    after = ids_of(load_site(path, now=NOON))
    assert {each for each in before if before[each] != after[each]} == {tag}


def test_what_a_person_enters_makes_another_plan_and_no_other_memory() -> None:
    site = load_site(config_path("demo", "site.yaml"), now=NOW)
    setup = next(tank for tank in site.tanks if tank.binding.reference_density is not None)
    assert setup.binding.reference_density is not None
    value = setup.binding.reference_density
    entered = replace(setup.binding, reference_density=replace(value, value=value.value + 1.0))
    one = plan_ids(setup.plan, setup.binding, 2.0, {})
    other = plan_ids(setup.plan, entered, 2.0, {})
    assert (one.plan != other.plan, one.memory == other.memory) == (True, True)


def test_every_tank_of_the_demo_has_its_own() -> None:
    ids = ids_of(load_site(config_path("demo", "site.yaml"), now=NOW))
    assert len(ids) == len({each.plan for each in ids.values()}) == len({each.memory for each in ids.values()}) == 10


def test_a_map_counts_for_the_tanks_that_it_feeds() -> None:
    site = load_site(config_path("one_tank.yaml"), now=NOW)
    (tank,) = site.tanks
    (fed, *_) = [source.instrument for source in tank.binding.sources]
    one = next(each.map for line in site.lines for each in line.instruments if each.tag == fed)
    other = replace(one, gaps_allowed=not one.gaps_allowed)
    plain = plan_ids(tank.plan, tank.binding, tank.period_s, {fed: one, "X": one})
    assert plain == plan_ids(tank.plan, tank.binding, tank.period_s, {fed: one, "X": other})
    assert plain != plan_ids(tank.plan, tank.binding, tank.period_s, {fed: other, "X": one})


def test_what_has_no_plain_form_is_refused() -> None:
    (tank,) = load_site(config_path("one_tank.yaml"), now=NOW).tanks
    strange = replace(tank.plan, product=replace(tank.plan.product, name=object()))  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="object in a plan has no plain form"):
        plan_ids(strange, tank.binding, tank.period_s, {})
