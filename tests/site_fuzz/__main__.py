"""`python -m tests.site_fuzz SITE [TANK [SHEET]]` plays one site again; `--sites FIRST LAST` plays many and counts."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.site_fuzz.fuzz import play_all
from tests.site_fuzz.judge import Judge
from tests.site_fuzz.report import told
from tests.site_fuzz.through_gateway import load, sheets_of
from tests.site_fuzz.world.draw_site import draw_site

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.site_fuzz", description=__doc__)
    parser.add_argument("place", nargs="*", type=int, help="site, tank, sheet")
    parser.add_argument("--sites", nargs=2, type=int, metavar=("FIRST", "LAST"))
    given = parser.parse_args(arguments)
    if given.sites is not None:
        tally = play_all(range(given.sites[0], given.sites[1] + 1))
        sys.stdout.write("\n\n".join([*tally.told, f"{tally}\n"]))
        return 1 if tally.dishonest else 0
    if not given.place:
        parser.error("give a site, or --sites")
    return _again(*given.place)


def _again(seed: int, index: int | None = None, place: int | None = None) -> int:
    site = draw_site(seed)
    with tempfile.TemporaryDirectory() as folder:
        setups = load(site, Path(folder))
    dishonest = False
    for number, seen in enumerate(site.tanks):
        if index is not None and number != index:
            continue
        judge = Judge(seen.tank)
        for step, sheet in enumerate(sheets_of(setups[seen.tank.tag], seen)):
            mistakes = judge.mistakes(seen.moments[step], sheet)
            dishonest = dishonest or bool(mistakes)
            if step == place or (place is None and mistakes):
                sys.stdout.write(told(site, number, step, sheet, mistakes) + "\n")
    return 1 if dishonest else 0


if __name__ == "__main__":
    sys.exit(main())
