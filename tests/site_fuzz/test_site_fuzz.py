"""Whole random sites: at least 60 % of the sheets are Good, and no Good figure is off by more than its tolerance.

`make fuzz` plays a million sheets (SITE_FUZZ_SHEETS); a failure prints the tank's own site file, its readings, and the
line that plays it again.
"""

import os

import pytest

from tests.site_fuzz.fuzz import play_all
from tests.site_fuzz.world.draw_product import KINDS
from tests.site_fuzz.world.draw_shape import SHAPES
from tests.site_fuzz.world.draw_site import SHEETS, TANKS

_WANTED = int(os.environ.get("SITE_FUZZ_SHEETS", "10000"))
_SITES_IN_A_CHUNK = 10
"""So many that every kind of product stands in several tanks, and not all of them are in trouble."""
_CHUNKS = -(-_WANTED // (SHEETS * TANKS * _SITES_IN_A_CHUNK))
_LEAST_GOOD = 0.60


@pytest.mark.timeout(300)
@pytest.mark.parametrize("chunk", range(_CHUNKS))
def test_no_good_figure_is_wrong_and_most_sheets_are_good(chunk: int) -> None:
    first = chunk * _SITES_IN_A_CHUNK
    tally = play_all(range(first, first + _SITES_IN_A_CHUNK))
    assert not tally.dishonest, f"{tally}\n\n" + "\n\n".join(tally.told)
    assert tally.sheets == _SITES_IN_A_CHUNK * TANKS * SHEETS
    assert tally.good >= _LEAST_GOOD * tally.sheets, str(tally)
    never = [name for name in (*KINDS, *SHAPES) if not tally.good_by[name]]
    assert not never, f"never Good: {', '.join(never)}"
