"""TK-1 alone on the yard of the invalid site files, with keys of its own: for tests of what a site file becomes."""

from datetime import UTC, datetime
from pathlib import Path

from gateway.settings import SiteSettings, TankSetup, load_site

__all__ = ["NOW", "PARTS", "RESISTANCES", "load", "product", "tank"]

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PARTS = Path(__file__).parent.parent / "invalid_site_files" / "parts"
SITE = f"include_from: {PARTS}\ninclude: {PARTS}/yard.yaml\n"
RESISTANCES = """
instruments:
  R-1:
    line: north
    unit: 9
    period: 25 s
    signals:
      r1: {table: input_registers, address: 0, type: uint16, scale: 0.01, unit: ohm}
      r2: {table: input_registers, address: 1, type: uint16, scale: 0.1, unit: ohm}
"""


def load(folder: Path, text: str) -> SiteSettings:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return load_site(path, now=NOW)


def tank(folder: Path, top: str = "", site: str = SITE, **keys: str) -> tuple[TankSetup, tuple[str, ...]]:
    """TK-1 and the warnings. `top` is text for the top of the file; `keys` replace or add keys of the tank."""
    given = {
        "product": "diesel",
        "shape": "{kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}",
        "reference_height": "15.240 m",
        "level": "{instrument: G-1, signal: innage, measures: innage}",
        "free_water": "none",
        "maximum_flow_in": "400 m3/h",
        "maximum_flow_out": "300 m3/h",
        **keys,
    }
    if "capacity_table" in keys:
        del given["shape"]
    body = "".join(f"    {key}: {value}\n" for key, value in given.items())
    found = load(folder, f"{site}{top}\ntanks:\n  TK-1:\n{body}")
    return found.tanks[0], found.warnings


def product(folder: Path, text: str, site: str = SITE, **keys: str) -> TankSetup:
    """TK-1 filled with a product, whose keys are `text` in one line."""
    return tank(folder, f"products:\n  other: {{{text}}}\n", site, product="other", **keys)[0]
