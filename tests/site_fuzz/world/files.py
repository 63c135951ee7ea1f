"""A random site on the disk."""

from pathlib import Path

from tests.site_fuzz.world.draw_site import Site

__all__ = ["write_site"]


def write_site(site: Site, folder: Path) -> Path:
    """The site file and its tables, as they are loaded."""
    for seen in site.tanks:
        if seen.tank.table is not None:
            (folder / f"{seen.tank.tag}.csv").write_text(seen.tank.table.text, "utf-8")
    file = folder / "site.yaml"
    file.write_text(site.text, "utf-8")
    return file
