"""The SITE argument: a path, or the word `demo` for the site that comes with the program."""

import argparse
from pathlib import Path

from gateway.commands.demonstration.site import load_demo
from gateway.errors import UsageError
from gateway.files import trouble_with
from gateway.settings.site import SiteSettings, load_site
from gateway.settings.tanks.plans import TankSetup

__all__ = ["add_site", "load", "tank_of"]

_DEMO = "demo"


def add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", metavar="SITE", help="site file (YAML), or `demo` for the demo site")


def load(site: str) -> SiteSettings:
    """The settings of `site`. Raises SettingsError with every mistake; UsageError when there is no such file."""
    path = Path(site)
    trouble = trouble_with(path)
    if trouble is None:
        return load_site(path)
    if site == _DEMO and trouble.missing:
        return load_demo()
    if trouble.missing:
        raise UsageError(f"there is no site file '{site}'", "give the path of a YAML file, or `demo`")
    raise UsageError(
        str(trouble), "a site file is readable by whoever runs it; give the path of a YAML file, or `demo`"
    )


def tank_of(settings: SiteSettings, tag: str) -> TankSetup:
    """The tank called `tag`. Raises UsageError naming those that there are."""
    for setup in settings.tanks:
        if setup.plan.tank == tag:
            return setup
    tags = ", ".join(setup.plan.tank for setup in settings.tanks)
    raise UsageError(f"site '{settings.name}' has no tank '{tag}'", f"its tanks: {tags}")
