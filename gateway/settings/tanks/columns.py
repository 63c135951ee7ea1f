"""What stands above, below and beside a liquid column whose pressure is measured: from the site file to its plan."""

from gateway.calculation.plan import ColumnPlan
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import NozzleModel, TankModel
from gateway.settings.tanks.optional_models import ColumnModel

__all__ = ["ColumnBuilder"]

_LARGEST_GAS_DENSITY = 200.0
_LARGEST_AIR_DENSITY = 2.0
_WATER_DENSITIES = (900.0, 1300.0)
_COARSEST_PA = 10_000.0
_HIGHEST_HEAD_M = 3.0


class ColumnBuilder:
    """Builds the columns of one site, gathering mistakes. `air_density`: of the site's air, kg/m3."""

    def __init__(self, document: Document, mistakes: Mistakes, manual: ManualValues, air_density: float) -> None:
        self._document = document
        self._mistakes = mistakes
        self._manual = manual
        self._air_density = air_density

    def build(self, given: ColumnModel, checked: Checked[TankModel], path: KeyPath) -> ColumnPlan:
        """The column of the block at `path`."""
        model, dropped = checked
        for key, largest in (("gas_density", _LARGEST_GAS_DENSITY), ("air_density", _LARGEST_AIR_DENSITY)):
            density = getattr(given, key)
            if density is not None and density > largest:
                self._wrong(path, key, f"is too heavy; give at most {largest:g} kg/m3")
        low, high = _WATER_DENSITIES
        if given.water_density is not None and not low <= given.water_density <= high:
            self._wrong(path, "water_density", f"is not that of water; give {low:g} to {high:g} kg/m3")
        height = given.vapour_transmitter_height
        if height is not None and height <= given.nozzle_height:
            self._wrong(path, "vapour_transmitter_height", "is not above the nozzle; give its height above the datum")
        is_measured = model.vapour_pressure is not None
        if not is_measured and model.blanketed and not dropped & {"vapour_pressure", "blanketed"}:
            text = "the gas above the liquid has a pressure of its own; without vapour_pressure, its instrument,"
            self._manual.warn(path, f"{text} results are Uncertain: 2 kPa of it look like 0.2 m of water")
        elif is_measured and not model.blanketed and given.gas_density is None and model.vapour is None:
            text = "has no gas_density, so the gas is taken as air or nitrogen at the measured pressure; give it, or"
            self._manual.warn(path, f"{text} blanketed: yes where that is so")
        defaults = ColumnPlan()
        return ColumnPlan(
            is_measured,
            height,
            given.gas_density,
            self._air_density if given.air_density is None else given.air_density,
            defaults.water_density_kg_m3 if given.water_density is None else given.water_density,
        )

    def check_head(self, given: NozzleModel, path: KeyPath) -> None:
        """What a level from pressure says of its transmitter."""
        if given.accuracy is not None and not 0.0 < given.accuracy <= _COARSEST_PA:
            self._wrong(path, "accuracy", "is no accuracy of a transmitter; give for example 0.2 kPa")
        if given.minimum_head is not None and not 0.0 < given.minimum_head <= _HIGHEST_HEAD_M:
            self._wrong(path, "minimum_head", "is no head that an empty tank may show; give for example 0.1 m")

    def _wrong(self, path: KeyPath, key: str, text: str) -> None:
        """Report `text` at a key, after the value as it was written."""
        self._mistakes.add((*path, key), f"{self._document.text((*path, key))} {text}")
