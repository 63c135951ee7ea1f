"""The reference temperatures that standard volumes are at, as one line below them."""

from collections.abc import Iterable

from gateway.display import reference_words
from gateway.records import Inventory

__all__ = ["reference_line"]


def reference_line(inventories: Iterable[Inventory]) -> list[str]:
    """`GSV at 15 °C`; where products differ, each with its own. Nothing where none has one."""
    found = {
        each.product: reference_words(each.reference_temperature_c)
        for each in inventories
        if each.reference_temperature_c is not None
    }
    if len(set(found.values())) == 1:
        return [f"GSV and NSV at {next(iter(found.values()))}"]
    told = ", ".join(f"of {product} at {words}" for product, words in sorted(found.items()))
    return [f"GSV and NSV {told}"] if found else []
