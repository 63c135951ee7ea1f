"""Parts of a site's settings as the pipeline takes them: by instrument, and by tank."""

from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.settings import SiteSettings
from gateway.watch.plan import WatchPlan

__all__ = ["maps_of", "products_of", "watches_of"]


def watches_of(settings: SiteSettings) -> dict[str, WatchPlan]:
    """By tank."""
    return {tank.plan.tank: tank.watch for tank in settings.tanks}


def maps_of(settings: SiteSettings) -> dict[str, InstrumentMap]:
    """By instrument of a Modbus line."""
    return {each.tag: each.map for line in settings.lines for each in line.instruments}


def products_of(settings: SiteSettings) -> dict[str, str]:
    """By tank: what it holds."""
    return {tank.plan.tank: tank.plan.product.name for tank in settings.tanks}
