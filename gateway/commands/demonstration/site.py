"""The sites that come with the program, their samples dated today: a demo must not go stale on the shelf."""

from collections.abc import Mapping
from datetime import UTC, datetime

from gateway.resources import config_path
from gateway.settings.site import SiteSettings, dated_entries, load_site

__all__ = ["load_demo"]


def load_demo(
    overrides: Mapping[str, str] | None = None, *, file: str = "site.yaml", now: datetime | None = None
) -> SiteSettings:
    """A site of the demo's with `overrides`, every dated entry entered `now`. Raises SettingsError."""
    path = config_path("demo", file)
    date = datetime.now(UTC) if now is None else now
    entered = f"{date.astimezone(UTC):%Y-%m-%dT%H:%MZ}"
    return load_site(path, {**dict.fromkeys(dated_entries(path), entered), **(overrides or {})}, now)
