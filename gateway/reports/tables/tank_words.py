"""Pure: what is to be known of one tank beside its figures: its quality and why, and what is by hand or moves."""

from collections.abc import Iterable

from gateway.account.day import TankAtClose
from gateway.account.gauging import Gauging
from gateway.display import printable, reference_words
from gateway.records import Quality, ReasonCode
from gateway.reports.words import kind_words, quality_text, reason_texts
from gateway.sources import LevelSource, TemperatureSource, WaterSource
from gateway.tank_state import Motion

__all__ = ["SHOWN", "is_estimate", "reference_notes", "tank_flags", "tank_quality"]

SHOWN = (
    ("level", "Level"),
    ("water_level", "Water"),
    ("liquid_temperature", "Temperature"),
    ("reference_density", "Reference density"),
    ("tov", "TOV"),
    ("free_water", "FW"),
    ("gov", "GOV"),
    ("ctl", "CTL"),
    ("gsv", "GSV"),
    ("nsv", "NSV"),
    ("mass", "Mass"),
    ("weight_in_air", "Weight in air"),
    ("pumpable", "Pumpable"),
    ("room", "Room"),
)
"""Figures of a tank in a stock report, with their headings."""
_LOWER = frozenset({ReasonCode.MOVING, ReasonCode.CLOCK_UNTRUSTED})
"""What makes an estimate of a sheet that is Good by itself, as in the balance of its product."""
_FLOWS = (Motion.FILLING, Motion.EMPTYING)
_BY_HAND = {"reference_density": "density", "sediment_water": "S&W"}


def reference_notes(gaugings: Iterable[Gauging]) -> tuple[str, ...]:
    """At which temperature standard volumes are, by product where that differs; nothing where there are none."""
    found: dict[str, set[str]] = {}
    for each in gaugings:
        if each.reference_temperature_c is not None and each.figures["gsv"].value is not None:
            found.setdefault(reference_words(each.reference_temperature_c), set()).add(printable(each.product))
    if not found:
        return ()
    if len(found) == 1:
        return (f"GSV and NSV are at {next(iter(found))}.",)
    parts = (f"of {', '.join(sorted(products))} at {words}" for words, products in sorted(found.items()))
    return (f"GSV and NSV are {'; '.join(parts)}.",)


def is_estimate(tank: TankAtClose) -> bool:
    """Whether all of it is Uncertain, however good its sheet."""
    return any(reason.code in _LOWER for reason in tank.reasons)


def tank_quality(tank: TankAtClose) -> str:
    """The word, which figures have no value, and why."""
    if tank.gauging is None:
        why = "; ".join(reason_texts(tank.reasons)) or "there is no sheet that is young enough"
        return f"{Quality.BAD.word}: {why}"
    quality = tank.gauging.quality
    worst = max(quality, Quality.UNCERTAIN) if is_estimate(tank) else quality
    return quality_text(worst, {name: tank.gauging.figures[name] for name, _ in SHOWN}, tank.reasons)


def tank_flags(tank: TankAtClose) -> list[str]:
    """What is by hand, simulated, moving: in words."""
    gauging = tank.gauging
    if gauging is None:
        return []
    flags = ["SIMULATED"] if gauging.simulated else []
    if tank.is_moving or gauging.motion in _FLOWS:
        flags.append(kind_words(gauging.motion.value) if gauging.motion in _FLOWS else "moving")
    sources = gauging.sources
    if sources.level is LevelSource.DIP:
        flags.append("level by dip")
    if sources.temperature in (TemperatureSource.MANUAL, TemperatureSource.LAST_GOOD):
        flags.append("temperature " + ("by hand" if sources.temperature is TemperatureSource.MANUAL else "last good"))
    if sources.water in (WaterSource.DIP, WaterSource.LAST_GOOD):
        flags.append("water " + ("by dip" if sources.water is WaterSource.DIP else "last good"))
    flags += [f"{words} by hand" for name, words in _BY_HAND.items() if gauging.figures[name].manual]
    return flags
