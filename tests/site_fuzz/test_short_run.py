"""A few sheets of many tanks, so that every product group, shape and part comes up: what `make mutants` runs."""

from tests.site_fuzz.fuzz import Tally, play
from tests.site_fuzz.world.draw_product import KINDS
from tests.site_fuzz.world.draw_shape import SHAPES
from tests.site_fuzz.world.draw_site import draw_site

_SITES, _SHEETS = range(1_000_000, 1_000_040), 4


def test_every_product_group_and_shape_is_judged() -> None:
    tally = Tally()
    for seed in _SITES:
        play(draw_site(seed, _SHEETS), tally)
    assert not tally.dishonest, f"{tally}\n\n" + "\n\n".join(tally.told)
    assert all(tally.good_by[name] for name in (*KINDS, *SHAPES)), tally.good_by
