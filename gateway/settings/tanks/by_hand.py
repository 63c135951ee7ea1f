"""Level, temperature, water, sediment and water by hand: substitutes where an instrument is fitted, else dips."""

from gateway.binding import ManualValue
from gateway.settings.reading.document import KeyPath, Mistakes
from gateway.settings.tanks.entries import LengthEntry, RatioEntry, TemperatureEntry
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import DipWater, ProbeWater, TankModel

__all__ = ["ByHand", "HandValues"]

HandValues = tuple[ManualValue | None, ManualValue | None, ManualValue | None]
"""Level, temperature and water."""


class ByHand:
    """Makes manual values of them, gathering mistakes; for the site file and for what is entered while it runs."""

    def __init__(self, mistakes: Mistakes, manual: ManualValues) -> None:
        self._mistakes = mistakes
        self._manual = manual

    def of_tank(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> HandValues:
        """All that the site file gives of a tank."""
        level = temperature = water = None
        if isinstance(model.free_water, DipWater):
            water = self.dipped_water(model.free_water, (*path, "free_water"))
        manual = model.manual
        if manual is None:
            return level, temperature, water
        here = (*path, "manual")
        if manual.level is not None:
            level = self.measured(manual.level, (*here, "level"), fitted=model.level is not None)
        if manual.temperature is not None:
            fitted = model.temperature is not None
            temperature = self.measured(manual.temperature, (*here, "temperature"), fitted=fitted)
        if manual.water is not None:
            if isinstance(model.free_water, ProbeWater):
                water = self.measured(manual.water, (*here, "water"), fitted=True)
            elif "free_water" not in dropped:
                self.refuse_water(path)
        return level, temperature, water

    def measured(self, entry: LengthEntry | TemperatureEntry, path: KeyPath, *, fitted: bool) -> ManualValue | None:
        """A level or a temperature, or water of a tank with a probe. `fitted`: there is an instrument for it."""
        origin = "manual" if fitted else "dip"
        return self._manual.build(entry, entry.value, path, origin=origin, substitutes=fitted, sample=not fitted)

    def dipped_water(self, entry: LengthEntry, path: KeyPath) -> ManualValue | None:
        """Water of a tank that is dipped for it."""
        return self._manual.build(entry, entry.value, path, origin="dip", sample=True)

    def refuse_water(self, path: KeyPath) -> None:
        """Water by hand of a tank without a probe, in the place of one."""
        text = "stands in for a water probe, and there is none; give free_water: {kind: dip, ...} instead"
        self._mistakes.add((*path, "manual", "water"), text)

    def sediment_water(self, entry: RatioEntry, path: KeyPath, *, origin: str) -> ManualValue | None:
        return self._manual.build(entry, entry.value, path, origin=origin, sample=True, undated_allowed=True)
