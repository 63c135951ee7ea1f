"""The site that comes with the program, its samples dated today: a demo must not go stale on the shelf."""

from collections.abc import Mapping
from datetime import UTC, datetime

from gateway.resources import config_path
from gateway.settings.site import SiteSettings, dated_entries, load_site

__all__ = ["load_demo"]


def load_demo(overrides: Mapping[str, str] | None = None) -> SiteSettings:
    """The demo site with `overrides`, every dated entry entered now. Raises SettingsError."""
    path = config_path("demo", "site.yaml")
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%MZ}"
    return load_site(path, {**dict.fromkeys(dated_entries(path), now), **(overrides or {})})
