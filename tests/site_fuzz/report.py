"""What a failure prints, so that it can be seen and played again by itself."""

from gateway.records import Inventory
from tests.site_fuzz.judge import Mistake
from tests.site_fuzz.world.draw_site import Site
from tests.site_fuzz.world.site_text import site_text

__all__ = ["told"]


def told(site: Site, index: int, place: int, sheet: Inventory, mistakes: list[Mistake]) -> str:
    """The mistakes of one sheet with the tank's own site file, the true state and the readings."""
    seen = site.tanks[index]
    moment = seen.moments[place]
    lines = [
        f"site {site.seed}, tank {index}, sheet {place}, {seen.tank.product.kind} in a {seen.tank.shape.kind}:",
        *(f"    {each.figure}: {each.text}" for each in mistakes),
        f"  play it again: python -m tests.site_fuzz {site.seed} {index} {place}",
        f"  {'after the sheet before it' if moment.follows else 'from rest'}",
        f"  faults: {', '.join(moment.shown.faults) or 'none'}",
        f"  truth: {moment.state}",
        f"  read: {moment.shown}",
        "  figures: "
        + ", ".join(
            f"{name} {figure.value!r} {figure.quality.word}"
            for name, figure in sheet.figures._asdict().items()
            if figure.value is not None or figure.quality
        ),
        "  elements: " + ", ".join(f"{use.height_m:g} m {use.value!r} {use.used}" for use in sheet.elements),
        "",
        site_text(f"site-{site.seed}", [seen.tank]),
    ]
    if seen.tank.table is not None:
        lines += [f"{seen.tank.tag}.csv:", seen.tank.table.text]
    return "\n".join(lines)
