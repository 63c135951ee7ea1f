"""The SITE argument: a path, or the word `demo` for the site that comes with the program."""

import argparse
from collections.abc import Mapping
from pathlib import Path

from gateway.errors import UsageError
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site

__all__ = ["add_site", "demo_site_file", "load"]

DEMO = "demo"


def add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", metavar="SITE", help="site file (YAML), or `demo` for the demo site")


def load(site: str, overrides: Mapping[str, str] | None = None) -> SiteSettings:
    """The settings of `site`. Raises SettingsError with every mistake; UsageError when there is no such file."""
    path = Path(site)
    if site == DEMO and not path.exists():
        path = demo_site_file()
    if not path.is_file():
        raise UsageError(f"there is no site file '{site}'", "give the path of a YAML file, or `demo`")
    return load_site(path, overrides)


def demo_site_file() -> Path:
    """Where the demo site lies."""
    return config_path("demo", "site.yaml")
