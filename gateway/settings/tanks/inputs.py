"""What is fitted to a tank: gauges, thermometer, water probe and pressure transmitters, and their signals."""

from typing import NamedTuple

from gateway.binding import Source
from gateway.calculation.plan import ElementPlan, FlowPlan, GaugePlan, HeadPlan
from gateway.settings.reading.document import KeyPath, Mistakes
from gateway.settings.reading.validation import Checked
from gateway.settings.tanks.columns import ColumnBuilder
from gateway.settings.tanks.models import (
    FlowDirection,
    LevelModel,
    NozzleModel,
    ProbeWater,
    SecondLevelModel,
    TankModel,
)
from gateway.settings.tanks.sources import Sources
from gateway.units.quantity import Dimension

__all__ = ["FittedInputs", "InputsBuilder"]

_HEAD_M_PER_PA = 0.1 / 200.0
"""The least head for an accuracy: five times the water column that weighs as much, for the drift of years."""


class FittedInputs(NamedTuple):
    """None: not fitted, or wrong (then a mistake says so)."""

    gauge: GaugePlan | HeadPlan | None
    second_gauge: GaugePlan | None
    elements: tuple[ElementPlan, ...]
    level: Source | None
    second_level: Source | None
    bottom_pressure: Source | None
    vapour_pressure: Source | None
    water: Source | None
    element_sources: tuple[Source, ...]
    ambient: Source | None
    flows: tuple[FlowPlan, ...]
    flow_sources: tuple[Source, ...]


class InputsBuilder:
    """Builds what is fitted to each tank of a site, gathering mistakes. `gravity` None: the site gives none."""

    def __init__(self, sources: Sources, mistakes: Mistakes, gravity: float | None, columns: ColumnBuilder) -> None:
        self._sources = sources
        self._mistakes = mistakes
        self._gravity = gravity
        self._columns = columns

    def build(self, checked: Checked[TankModel], path: KeyPath) -> FittedInputs:
        model, dropped = checked
        gauge, source = self._first_gauge(checked, path)
        second, second_source = self._second_gauge(model, dropped, path)
        elements, element_sources = self._elements(model, path)
        is_gauge = isinstance(gauge, GaugePlan)
        bottom = self._density_pressure(model, dropped, path) if is_gauge or gauge is None else source
        vapour = self._vapour_pressure(model, dropped, path)
        flows, flow_sources = self._flows(model, path)
        return FittedInputs(
            gauge=gauge,
            second_gauge=second,
            elements=elements,
            level=source if is_gauge else None,
            second_level=second_source,
            bottom_pressure=bottom,
            vapour_pressure=vapour,
            water=self._free_water(model, path),
            element_sources=element_sources,
            ambient=self._ambient(model, path),
            flows=flows,
            flow_sources=flow_sources,
        )

    def _first_gauge(
        self, checked: Checked[TankModel], path: KeyPath
    ) -> tuple[GaugePlan | HeadPlan | None, Source | None]:
        model, dropped = checked
        level = model.level
        if level is None:
            has_dip = model.manual is not None and model.manual.level is not None
            if not has_dip and not dropped & {"level", "manual"}:
                self._mistakes.add((*path, "level"), "is missing; give level, or manual.level for a tank without gauge")
            return None, None
        here: KeyPath = (*path, "level")
        if (level.measures is None) == (level.from_pressure is None):
            self._mistakes.add((*here, "measures"), "give one of measures (innage or ullage) and from_pressure")
            return None, None
        if level.from_pressure is not None:
            return self._head(checked, level, level.from_pressure, here)
        source = self._sources.find(here, level.instrument, level.signal, Dimension.LENGTH)
        if source is None or level.measures is None:
            return None, None
        step = level.resolution or self._sources.resolution_m(source)
        return GaugePlan(level.measures, level.offset, step, source.name), source

    def _head(
        self, checked: Checked[TankModel], level: LevelModel, nozzle: NozzleModel, path: KeyPath
    ) -> tuple[HeadPlan | None, Source | None]:
        here: KeyPath = (*path, "from_pressure")
        source = self._sources.find(path, level.instrument, level.signal, Dimension.GAUGE_PRESSURE)
        if self._gravity is None:
            text = "needs site.gravity, the local acceleration, for example 9.80665 m/s2, or site.latitude"
            self._mistakes.add(here, text)
        if checked.model.measured_density is not None:
            text = "the level comes from pressure already; one pressure cannot give both level and density"
            self._mistakes.add((*path[:-1], "measured_density"), text)
        if level.offset != 0.0:
            self._mistakes.add((*path, "offset"), "a level from pressure takes none; correct nozzle_height instead")
        column = self._columns.build(nozzle, checked, here)
        self._columns.check_head(nozzle, here)
        if source is None:
            return None, None
        accuracy_pa = nozzle.accuracy or self._sources.accuracy_pa(source)
        least_m = nozzle.minimum_head or accuracy_pa * _HEAD_M_PER_PA
        plan = HeadPlan(nozzle.nozzle_height, level.resolution or 0.001, source.name, least_m, accuracy_pa, column)
        return plan, source

    def _second_gauge(
        self, model: TankModel, dropped: frozenset[str], path: KeyPath
    ) -> tuple[GaugePlan | None, Source | None]:
        entry: SecondLevelModel | None = model.second_level
        if entry is None:
            return None, None
        here: KeyPath = (*path, "second_level")
        if model.level is None and "level" not in dropped:
            self._mistakes.add(here, "there is no first gauge; give level before second_level")
        source = self._sources.find(here, entry.instrument, entry.signal, Dimension.LENGTH)
        if source is None:
            return None, None
        step = entry.resolution or self._sources.resolution_m(source)
        return GaugePlan(entry.measures, entry.offset, step, source.name), source

    def _elements(self, model: TankModel, path: KeyPath) -> tuple[tuple[ElementPlan, ...], tuple[Source, ...]]:
        thermometer = model.temperature
        if thermometer is None:
            return (), ()
        plans: list[ElementPlan] = []
        sources: list[Source] = []
        for index, element in enumerate(thermometer.elements):
            here: KeyPath = (*path, "temperature", "elements", index)
            instrument = element.instrument or thermometer.instrument
            if instrument is None:
                text = "is missing; give it here or once for the whole temperature block"
                self._mistakes.add((*here, "instrument"), text)
                continue
            kind = element.resistance_element or thermometer.resistance_element
            ohm = None if kind is None else kind.nominal_ohm
            if element.instrument is None and instrument not in self._sources.declared:
                if index == 0:
                    self._sources.find_temperature((*path, "temperature"), instrument, element.signal, ohm)
                continue
            source = self._sources.find_temperature(here, instrument, element.signal, ohm)
            if source is not None:
                sources.append(source)
                plans.append(ElementPlan(element.height, source.name))
        return tuple(plans), tuple(sources)

    def _free_water(self, model: TankModel, path: KeyPath) -> Source | None:
        water = model.free_water
        if not isinstance(water, ProbeWater):
            return None
        return self._sources.find((*path, "free_water"), water.instrument, water.signal, Dimension.LENGTH)

    def _vapour_pressure(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> Source | None:
        entry = model.vapour_pressure
        if entry is not None:
            here = (*path, "vapour_pressure")
            return self._sources.find(here, entry.instrument, entry.signal, Dimension.GAUGE_PRESSURE)
        if model.pressurised and "vapour_pressure" not in dropped:
            self._mistakes.add((*path, "pressurised"), "needs vapour_pressure, the instrument that measures it")
        return None

    def _density_pressure(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> Source | None:
        """The pressure from which density is measured; a tank whose level comes from pressure has none."""
        entry = model.measured_density
        if entry is None:
            return None
        here: KeyPath = (*path, "measured_density")
        if model.level is None and "level" not in dropped:
            self._mistakes.add(here, "needs level, a gauge that measures it")
        elif self._gravity is None:
            text = "needs site.gravity, the local acceleration, for example 9.80665 m/s2, or site.latitude"
            self._mistakes.add(here, text)
        return self._sources.find(here, entry.instrument, entry.signal, Dimension.GAUGE_PRESSURE)

    def _ambient(self, model: TankModel, path: KeyPath) -> Source | None:
        entry = model.ambient
        if entry is None:
            return None
        ohm = None if entry.resistance_element is None else entry.resistance_element.nominal_ohm
        return self._sources.find_temperature((*path, "ambient"), entry.instrument, entry.signal, ohm, shared=True)

    def _flows(self, model: TankModel, path: KeyPath) -> tuple[tuple[FlowPlan, ...], tuple[Source, ...]]:
        plans: list[FlowPlan] = []
        sources: list[Source] = []
        for index, entry in enumerate(model.flows):
            here: KeyPath = (*path, "flows", index)
            found = self._sources.find_flow(here, entry.instrument, entry.signal)
            if found is None:
                continue
            source, is_contact = found
            if is_contact and entry.rate is None:
                text = f"is missing: {source.name} is a contact; give the least that flows, for example 60 m3/h"
                self._mistakes.add((*here, "rate"), text)
            for key in () if is_contact else ("rate", "flowing_when"):
                if getattr(entry, key) is not None:
                    self._mistakes.add((*here, key), f"is for a contact; {source.name} measures the flow: leave it out")
            into = entry.direction is FlowDirection.IN
            plans.append(FlowPlan(source.name, into, entry.rate, entry.flowing_when != "0"))
            sources.append(source)
        return tuple(plans), tuple(sources)
