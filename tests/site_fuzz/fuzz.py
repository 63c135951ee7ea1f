"""Playing whole sites: each through the program, each of its sheets before the judge."""

import tempfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from gateway.records import Quality
from tests.site_fuzz.judge import Judge
from tests.site_fuzz.report import told
from tests.site_fuzz.through_gateway import load, sheets_of
from tests.site_fuzz.world.draw_site import Site, draw_site

__all__ = ["Tally", "play", "play_all"]

_TOLD = 3
"""So many failures are told in full."""


@dataclass
class Tally:
    """What came of some sites."""

    sheets: int = 0
    good: int = 0
    """Sheets of which every figure is Good."""
    good_by: Counter[str] = field(default_factory=Counter)
    """The same by kind of product and by shape."""
    dishonest: int = 0
    """Sheets with a Good figure that is wrong, or that nobody could know."""
    told: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        return f"{self.good} of {self.sheets} sheets Good, {self.dishonest} dishonest"


def play(site: Site, tally: Tally) -> None:
    with tempfile.TemporaryDirectory() as folder:
        setups = load(site, Path(folder))
    for index, seen in enumerate(site.tanks):
        judge = Judge(seen.tank)
        for place, sheet in enumerate(sheets_of(setups[seen.tank.tag], seen)):
            tally.sheets += 1
            if sheet.quality is Quality.GOOD:
                tally.good += 1
                tally.good_by.update((seen.tank.product.kind, seen.tank.shape.kind))
            mistakes = judge.mistakes(seen.moments[place], sheet)
            if mistakes:
                tally.dishonest += 1
                if len(tally.told) < _TOLD:
                    tally.told.append(told(site, index, place, sheet, mistakes))


def play_all(seeds: Iterable[int]) -> Tally:
    tally = Tally()
    for seed in seeds:
        play(draw_site(seed), tally)
    return tally
