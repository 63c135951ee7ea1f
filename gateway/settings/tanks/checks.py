"""Checks between the keys of one tank: heights against the shell, limits in order, the roof's zone."""

from itertools import pairwise

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TOUCH_M, HeelContents
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import is_same_height
from gateway.settings.products.densities import BuiltProduct, plain_density
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked
from gateway.settings.tanks.datum_checks import check_datums
from gateway.settings.tanks.limit_levels import LimitLevels
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import DipWater, NoWater, ProbeWater, TankModel
from gateway.settings.tanks.sense_checks import check_sense_of_tank

__all__ = ["check_tank"]

_SAME_DENSITY = 0.05
_SAME_TEMPERATURE = 0.05


def check_tank(
    checked: Checked[TankModel],
    capacity: Capacity | None,
    limits: LimitLevels,
    product: BuiltProduct | None,
    document: Document,
    path: KeyPath,
    mistakes: Mistakes,
    manual: ManualValues,
) -> None:
    """Report every pair of values that cannot both be right.

    `capacity` or `product` None: what rests on it is left unchecked.
    """
    checks = _TankChecks(checked, limits, document, path, mistakes, manual)
    checks.limits_rise()
    checks.overflow()
    checks.elements_rise()
    checks.roof()
    checks.flows_positive()
    if product is not None:
        checks.product(product)
    if capacity is not None:
        checks.against(capacity)
        check_datums(checked.model, capacity, document, path, mistakes, manual)
    check_sense_of_tank(checked, capacity, document, path, mistakes, manual)


class _TankChecks:
    def __init__(
        self,
        checked: Checked[TankModel],
        limits: LimitLevels,
        document: Document,
        path: KeyPath,
        mistakes: Mistakes,
        manual: ManualValues,
    ) -> None:
        self._model = checked.model
        self._limits = limits
        self._dropped = checked.dropped
        self._document = document
        self._path = path
        self._mistakes = mistakes
        self._manual = manual

    def _wrong(self, *keys: str | int, text: str) -> None:
        """Report `text` at a key, after the value as it was written."""
        path = (*self._path, *keys)
        self._mistakes.add(path, f"{self._document.text(path)} {text}")

    def limits_rise(self) -> None:
        words = self._limits.words
        for (lower, low), (upper, high) in pairwise(self._limits.levels.items()):
            if high <= low:
                text = f"{words[upper]} is not above {lower}, {words[lower]}; give more than {words[lower]}"
                self._mistakes.add((*self._path, "limits", upper), text)

    def overflow(self) -> None:
        overflow = self._model.limits.overflow
        if overflow is None:
            return
        if overflow <= 0.0:
            self._wrong("limits", "overflow", text="is no level at which a tank runs over; give more than 0 m")
            return
        written = self._document.text((*self._path, "limits", "overflow"))
        for name, level in self._limits.levels.items():
            if level > overflow:
                text = f"{self._limits.words[name]} is above overflow, {written}; give at most {written}"
                self._mistakes.add((*self._path, "limits", name), text)

    def elements_rise(self) -> None:
        thermometer = self._model.temperature
        if thermometer is None:
            return
        if not thermometer.elements:
            self._mistakes.add((*self._path, "temperature", "elements"), "is empty; give at least one element")
        for index in range(1, len(thermometer.elements)):
            if thermometer.elements[index].height <= thermometer.elements[index - 1].height:
                before = self._document.text((*self._path, "temperature", "elements", index - 1, "height"))
                text = f"is not above the element before it, {before}; list the elements lowest first"
                self._wrong("temperature", "elements", index, "height", text=text)
        for key in ("immersion_margin", "vapour_clearance", "outlier", "stratification", "spread", "reach"):
            if getattr(thermometer, key) < 0.0:
                self._wrong("temperature", key, text="is below zero; give zero or more")

    def product(self, product: BuiltProduct) -> None:
        """What the product's method makes of measured pressures and densities."""
        if self._model.pressurised and product.method_word == "lpg_tp27":
            text = "lpg_tp27 holds at the liquid's own vapour pressure; leave it out, vapour_pressure is read even so"
            self._mistakes.add((*self._path, "pressurised"), text)
        measured = self._model.measured_density
        if measured is not None and measured.in_use and not product.plan.method.needs_density:
            text = f"product {product.plan.name} takes its density from temperature and no other; give no, to compare"
            self._mistakes.add((*self._path, "measured_density", "in_use"), text)

    def roof(self) -> None:
        roof = self._model.roof
        if roof is None:
            return
        if roof.mass <= 0.0:
            self._wrong("roof", "mass", text="is no mass; give more than 0 kg")
        plain_density(roof.table_density, (*self._path, "roof", "table_density"), self._mistakes)
        if roof.critical_high <= roof.critical_low:
            low = self._document.text((*self._path, "roof", "critical_low"))
            self._wrong("roof", "critical_high", text=f"is not above critical_low, {low}; give more than {low}")
        minimum = self._limits.levels.get("minimum")
        if minimum is not None and minimum < roof.critical_high:
            high = self._document.text((*self._path, "roof", "critical_high"))
            share = f"{self._limits.words['minimum']} " if "minimum" in self._limits.shares else ""
            self._manual.warn(
                (*self._path, "limits", "minimum"), f"{share}lies below the top of the roof's critical zone, {high}"
            )

    def flows_positive(self) -> None:
        for key in ("maximum_flow_in", "maximum_flow_out"):
            flow = getattr(self._model, key)
            if flow is not None and flow <= 0.0:
                self._wrong(key, text="is no flow; give more than zero, or leave it out where it is not known")
        for index, entry in enumerate(self._model.flows):
            if entry.rate is None:
                continue
            key = f"maximum_flow_{entry.direction}"
            greatest = getattr(self._model, key)
            if entry.rate <= 0.0:
                self._wrong("flows", index, "rate", text="is no flow; give the least that flows meanwhile")
            elif greatest is not None and entry.rate > greatest:
                text = f"is more than {key}, {self._document.text((*self._path, key))}; give the least that flows"
                self._wrong("flows", index, "rate", text=text)

    def against(self, capacity: Capacity) -> None:
        """Everything that must lie between the bottom and the top of the volumes known."""
        model = self._model
        is_table = model.capacity_table is not None
        what = "the capacity table" if is_table else "the shell"
        top = f"{capacity.top_m:.3f} m"
        bottom = f"{capacity.bottom_m:.3f} m"
        # A top that is a sum or a difference may miss its decimals in binary: 11.41 m - 0.008 m is not 11.402 m.
        if "reference_height" not in self._dropped and model.reference_height < capacity.top_m - TOUCH_M:
            text = f"is below the top of {what}, {top}; give at least {top}"
            self._wrong("reference_height", text=text)
        for name, limit in self._limits.levels.items():
            self._inside(limit, capacity, what, "limits", name)
        overflow = model.limits.overflow
        if overflow is not None and not is_table and overflow > capacity.top_m:
            self._wrong("limits", "overflow", text=f"is above {what}, which ends at {top}; give at most {top}")
        critical = self._limits.levels.get("critical_high")
        if critical is not None and critical == capacity.top_m:
            key = (*self._path, "limits", "critical_high")
            self._manual.warn(key, f"is the top of {what} itself: it is passed when nothing more goes in")
        for index, element in enumerate(model.temperature.elements if model.temperature is not None else ()):
            height = element.height
            if height > capacity.top_m:
                text = f"is above {what}, which ends at {top}; give at most {top}"
                self._wrong("temperature", "elements", index, "height", text=text)
            elif height < capacity.bottom_m:
                text = f"is below {what}, which begins at {bottom}; give at least {bottom}"
                self._wrong("temperature", "elements", index, "height", text=text)
        if model.roof is not None:
            self._inside(model.roof.critical_low, capacity, what, "roof", "critical_low")
            self._inside(model.roof.critical_high, capacity, what, "roof", "critical_high")
        if model.level is not None and model.level.from_pressure is not None:
            height = model.level.from_pressure.nozzle_height
            self._inside(height, capacity, what, "level", "from_pressure", "nozzle_height")

        self._heel(capacity)
        if isinstance(capacity, CapacityTable):
            self._against_table(capacity)

    def _heel(self, capacity: Capacity) -> None:
        """What the heel holds belongs to free water, and has to be said where there is a heel."""
        holds, heel_m3 = self._model.heel_holds, capacity.heel_m3
        if holds is not None and heel_m3 <= 0.0:
            self._wrong("heel_holds", text="is for a tank that holds something below its datum; leave it out")
        elif holds is HeelContents.WATER and isinstance(self._model.free_water, NoWater):
            text = "is free water, and the tank is declared without; give free_water, by probe or dip"
            self._wrong("heel_holds", text=text)
        elif holds is None and heel_m3 > 0.0 and isinstance(self._model.free_water, ProbeWater | DipWater):
            text = f"below the datum the tank holds {heel_m3:.2f} m3; say whether that is water or product"
            self._manual.warn((*self._path, "heel_holds"), f"{text}, until then free water is Uncertain")

    def _against_table(self, table: CapacityTable) -> None:
        """What the table says of itself and what the site file says of it must not differ."""
        model, mistakes = self._model, self._mistakes
        stated_m = table.reference_height_m
        if "reference_height" in self._dropped:
            stated_m = None
        if stated_m is not None and not is_same_height(model.reference_height, stated_m):
            text = f"is not that of the capacity table, {stated_m:.3f} m; give that, and for a gauge that measures from"
            self._wrong("reference_height", text=f"{text} another point its height above that one as offset")
        roof = model.roof
        if roof is None and table.roof_included:
            text = "the capacity table deducts a floating roof; give roof, or check that the table is this tank's"
            mistakes.add((*self._path, "roof"), text)
        if roof is not None:
            given = None if roof.table_density is None else roof.table_density.value
            path = (*self._path, "roof", "table_density")
            stated = table.roof_density_kg_m3
            if table.roof_included is None and given is None:
                self._manual.warn((*self._path, "roof"), "the capacity table does not say whether it deducts the roof")
            elif table.roof_included is False and given is not None:
                mistakes.add(path, "the capacity table says that it does not deduct the roof; leave it out")
            elif given is not None and stated is not None and abs(given - stated) > _SAME_DENSITY:
                mistakes.add(
                    path, f"the capacity table deducts the roof at {stated:.7g} kg/m3; give that, or leave it out"
                )
        given_c = None if model.shell is None else model.shell.table_temperature
        if given_c is not None and table.temperature_c is not None:
            stated_c = table.temperature_c
            if abs(given_c - stated_c) > _SAME_TEMPERATURE:
                self._wrong(
                    "shell", "table_temperature", text=f"is not what the capacity table says, {stated_c:.4g} degC"
                )

    def _inside(self, value: float, capacity: Capacity, what: str, *keys: str) -> None:
        if value > capacity.top_m:
            top = f"{capacity.top_m:.3f} m"
            self._wrong(*keys, text=f"is above {what}, which ends at {top}; give at most {top}")
        elif value < capacity.bottom_m:
            bottom = f"{capacity.bottom_m:.3f} m"
            self._wrong(*keys, text=f"is below {what}, which begins at {bottom}; give at least {bottom}")
