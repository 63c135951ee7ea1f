"""A few sites that the long test does not play, enough for every kind of product and shape; `make mutants` runs them."""

from tests.site_fuzz.fuzz import play_all
from tests.site_fuzz.world.draw_product import KINDS
from tests.site_fuzz.world.draw_shape import SHAPES

_SITES = range(1_000_000, 1_000_006)


def test_every_product_group_and_shape_is_judged() -> None:
    tally = play_all(_SITES)
    assert not tally.dishonest, f"{tally}\n\n" + "\n\n".join(tally.told)
    assert all(tally.good_by[name] for name in (*KINDS, *SHAPES)), tally.good_by
