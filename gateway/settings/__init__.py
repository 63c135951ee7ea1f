"""Site file to the frozen plans of each stage, with file, line and key in every message. The stages never import it."""

from gateway.settings.site import SiteSettings, dated_entries, load_site, site_schema
from gateway.settings.tanks.plans import TankSetup

__all__ = ["SiteSettings", "TankSetup", "dated_entries", "load_site", "site_schema"]
