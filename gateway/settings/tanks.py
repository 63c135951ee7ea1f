"""Tanks: from the site file to frozen TankPlans and TankBindings."""

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from gateway.binding import ManualValue, Source, TankBinding
from gateway.calculation.capacity_table import CapacityTable
from gateway.calculation.contracts import Capacity
from gateway.calculation.geometry import LyingCylinder, UprightCylinder
from gateway.calculation.plan import (
    ElementPlan,
    FreeWaterSource,
    GaugePlan,
    HeadPlan,
    LimitPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    TemperaturePlan,
    VapourPlan,
    Weighting,
)
from gateway.calculation.units import Dimension
from gateway.errors import GatewayError, SettingsError
from gateway.settings.capacity_file import read_capacity_csv
from gateway.settings.densities import BuiltProduct, Densities
from gateway.settings.document import Document, KeyPath, Mistakes
from gateway.settings.manual import ManualValues
from gateway.settings.sources import Sources
from gateway.settings.tank_checks import check_tank
from gateway.settings.tank_models import DipWater, LyingCylinderModel, ProbeWater, TankModel, UprightCylinderModel
from gateway.settings.validation import Checked

__all__ = ["TankBuilder", "TankSetup"]

_DEFAULT_PERIOD_S = 10.0


@dataclass(frozen=True, slots=True)
class TankSetup:
    """One tank: its plan, where its inputs come from, and how often at least a sheet is made."""

    plan: TankPlan
    binding: TankBinding
    description: str
    period_s: float


class _Gauges(NamedTuple):
    gauge: GaugePlan | HeadPlan | None
    second: GaugePlan | None
    level: Source | None
    second_level: Source | None
    bottom_pressure: Source | None


class TankBuilder:
    """Builds the tanks of one site file, gathering mistakes."""

    def __init__(
        self,
        document: Document,
        mistakes: Mistakes,
        sources: Sources,
        manual: ManualValues,
        densities: Densities,
        *,
        gravity: float | None,
        simulated: bool,
    ) -> None:
        self._document = document
        self._mistakes = mistakes
        self._sources = sources
        self._manual = manual
        self._densities = densities
        self._gravity = gravity
        self._simulated = simulated

    def build(self, tag: str, checked: Checked[TankModel]) -> TankSetup | None:
        """The tank, or None where a mistake was found (in it, or in something it depends on)."""
        path: KeyPath = ("tanks", tag)
        model = checked.model
        before = self._mistakes.count
        product = None
        if "product" not in checked.dropped:
            product = self._densities.product(model.product, (*path, "product"))
        capacity = self._capacity(model, checked.dropped, path)
        check_tank(checked, capacity, self._document, path, self._mistakes, self._manual)
        gauges = self._gauges(model, checked.dropped, path)
        elements, sources = self._elements(model, path)
        water = self._free_water(model, path)
        binding = self._binding(tag, checked, gauges, sources, water, product, path)
        if self._mistakes.count != before or checked.dropped or product is None or capacity is None:
            return None
        weighting = Weighting.SLICE_VOLUME if isinstance(capacity, LyingCylinder) else Weighting.EQUAL
        plan = TankPlan(
            tank=tag,
            product=product.plan,
            capacity=capacity,
            reference_height_m=model.reference_height,
            gauge=gauges.gauge,
            second_gauge=gauges.second,
            gauge_difference_limit_m=0.010 if model.second_level is None else model.second_level.difference_limit,
            temperature=_temperature(model, elements, weighting),
            free_water=FreeWaterSource(model.free_water.kind),
            roof=_roof(model, capacity),
            shell=_shell(model),
            vapour=None if model.vapour_density is None else VapourPlan(model.vapour_density.value),
            limits=LimitPlan(
                model.limits.minimum,
                model.limits.maximum_working,
                model.limits.high_high,
                model.limits.critical_high,
            ),
            maximum_flow_in_m3_s=model.maximum_flow_in,
            maximum_flow_out_m3_s=model.maximum_flow_out,
            pressurised=model.pressurised,
            gravity_m_s2=9.80665 if self._gravity is None else self._gravity,
        )
        return TankSetup(plan, binding, model.description or "", self._period_s(model, binding))

    def _capacity(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> Capacity | None:
        if (model.shape is None) == (model.capacity_table is None):
            if not dropped & {"shape", "capacity_table"}:
                self._mistakes.add((*path, "shape"), "give one of shape and capacity_table")
            return None
        if model.capacity_table is not None:
            key: KeyPath = (*path, "capacity_table")
            file = Path(self._document.place(key).file).parent / model.capacity_table.file
            if not file.is_file():
                text = f"there is no file {file}; the path counts from the folder of this file"
                self._mistakes.add(key, text)
                return None
            try:
                return read_capacity_csv(file)
            except SettingsError as error:
                self._mistakes.foreign(error.mistakes)
                return None
        try:
            return _shape(model)
        except GatewayError as error:
            for line in str(error).splitlines():
                self._mistakes.add((*path, "shape"), line)
            return None

    def _gauges(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> _Gauges:
        second = second_source = None
        if model.second_level is not None:
            entry = model.second_level
            here = (*path, "second_level")
            second_source = self._sources.find(here, entry.instrument, entry.signal, Dimension.LENGTH)
            if second_source is not None:
                step = entry.resolution or self._sources.resolution_m(second_source)
                second = GaugePlan(entry.measures, entry.offset, step, second_source.name)
            if model.level is None and "level" not in dropped:
                self._mistakes.add(here, "there is no first gauge; give level before second_level")
        level = model.level
        if level is None:
            has_dip = model.manual is not None and model.manual.level is not None
            if not has_dip and not dropped & {"level", "manual"}:
                self._mistakes.add((*path, "level"), "is missing; give level, or manual.level for a tank without gauge")
            return _Gauges(None, second, None, second_source, None)
        here = (*path, "level")
        if (level.measures is None) == (level.from_pressure is None):
            self._mistakes.add((*here, "measures"), "give one of measures (innage or ullage) and from_pressure")
            return _Gauges(None, second, None, second_source, None)
        if level.measures is not None:
            source = self._sources.find(here, level.instrument, level.signal, Dimension.LENGTH)
            if source is None:
                return _Gauges(None, second, None, second_source, None)
            step = level.resolution or self._sources.resolution_m(source)
            gauge = GaugePlan(level.measures, level.offset, step, source.name)
            return _Gauges(gauge, second, source, second_source, None)
        source = self._sources.find(here, level.instrument, level.signal, Dimension.GAUGE_PRESSURE)
        if self._gravity is None:
            text = "needs site.gravity, the local acceleration, for example 9.80665 m/s2"
            self._mistakes.add((*here, "from_pressure"), text)
        if level.offset != 0.0:
            self._mistakes.add((*here, "offset"), "a level from pressure takes none; correct nozzle_height instead")
        if source is None or level.from_pressure is None:
            return _Gauges(None, second, None, second_source, None)
        head = HeadPlan(level.from_pressure.nozzle_height, level.resolution or 0.001, source.name)
        return _Gauges(head, second, None, second_source, source)

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
            if element.instrument is None and instrument not in self._sources.declared:
                if index == 0:
                    self._sources.find((*path, "temperature"), instrument, element.signal, Dimension.TEMPERATURE)
                continue
            source = self._sources.find(here, instrument, element.signal, Dimension.TEMPERATURE)
            if source is not None:
                sources.append(source)
                plans.append(ElementPlan(element.height, source.name))
        return tuple(plans), tuple(sources)

    def _free_water(self, model: TankModel, path: KeyPath) -> Source | None:
        water = model.free_water
        if not isinstance(water, ProbeWater):
            return None
        return self._sources.find((*path, "free_water"), water.instrument, water.signal, Dimension.LENGTH)

    def _binding(
        self,
        tag: str,
        checked: Checked[TankModel],
        gauges: _Gauges,
        elements: tuple[Source, ...],
        water: Source | None,
        product: BuiltProduct | None,
        path: KeyPath,
    ) -> TankBinding:
        model = checked.model
        vapour = ambient = None
        if model.vapour_pressure is not None:
            entry = model.vapour_pressure
            here = (*path, "vapour_pressure")
            vapour = self._sources.find(here, entry.instrument, entry.signal, Dimension.GAUGE_PRESSURE)
        elif model.pressurised:
            self._mistakes.add((*path, "pressurised"), "needs vapour_pressure, the instrument that measures it")
        if model.ambient is not None:
            entry = model.ambient
            here = (*path, "ambient")
            ambient = self._sources.find(here, entry.instrument, entry.signal, Dimension.TEMPERATURE, shared=True)
        level, temperature, hand_water = self._by_hand(model, checked.dropped, path)
        reference, observed = (None, None)
        if product is not None:
            reference, observed = self._densities.of_tank(model, product, path)
        sediment = None
        if model.sediment_water is not None:
            entry_path = (*path, "sediment_water")
            sample = model.sediment_water
            sediment = self._manual.build(
                sample, sample.value, entry_path, origin="site file", sample=True, undated_allowed=True
            )
        return TankBinding(
            tank=tag,
            level=gauges.level,
            second_level=gauges.second_level,
            bottom_pressure=gauges.bottom_pressure,
            vapour_pressure=vapour,
            water=water,
            elements=elements,
            ambient=ambient,
            manual_level=level,
            manual_water=hand_water,
            manual_temperature=temperature,
            reference_density=reference,
            observed_density=observed,
            sediment_water=sediment,
            simulated=self._simulated,
        )

    def _by_hand(
        self, model: TankModel, dropped: frozenset[str], path: KeyPath
    ) -> tuple[ManualValue | None, ManualValue | None, ManualValue | None]:
        """Level, temperature and water by hand: substitutes where an instrument is fitted, else dips."""
        level = temperature = water = None
        if isinstance(model.free_water, DipWater):
            dip = model.free_water
            water = self._manual.build(dip, dip.value, (*path, "free_water"), origin="dip", sample=True)
        manual = model.manual
        if manual is None:
            return level, temperature, water
        here = (*path, "manual")
        if manual.level is not None:
            fitted = model.level is not None
            level = self._manual.build(
                manual.level,
                manual.level.value,
                (*here, "level"),
                origin="manual" if fitted else "dip",
                substitutes=fitted,
                sample=not fitted,
            )
        if manual.temperature is not None:
            fitted = model.temperature is not None
            temperature = self._manual.build(
                manual.temperature,
                manual.temperature.value,
                (*here, "temperature"),
                origin="manual" if fitted else "dip",
                substitutes=fitted,
                sample=not fitted,
            )
        if manual.water is not None:
            if isinstance(model.free_water, ProbeWater):
                water = self._manual.build(
                    manual.water, manual.water.value, (*here, "water"), origin="manual", substitutes=True
                )
            elif "free_water" not in dropped:
                text = "stands in for a water probe, and there is none; give free_water: {kind: dip, ...} instead"
                self._mistakes.add((*here, "water"), text)
        return level, temperature, water

    def _period_s(self, model: TankModel, binding: TankBinding) -> float:
        if model.period is not None:
            return model.period
        main = binding.level or binding.bottom_pressure or binding.second_level
        return _DEFAULT_PERIOD_S if main is None else self._sources.period_s(main)


def _shape(model: TankModel) -> Capacity | None:
    shape = model.shape
    if isinstance(shape, UprightCylinderModel):
        return UprightCylinder(shape.diameter, shape.height, shape.heel)
    if isinstance(shape, LyingCylinderModel):
        return LyingCylinder(shape.diameter, shape.tangent_length, shape.head)
    return None


def _temperature(model: TankModel, elements: tuple[ElementPlan, ...], weighting: Weighting) -> TemperaturePlan:
    given = model.temperature
    if given is None:
        return TemperaturePlan(weighting=weighting)
    return TemperaturePlan(
        elements,
        given.immersion_margin,
        given.weighting or weighting,
        given.vapour_clearance,
        given.outlier,
        given.stratification,
        given.last_good_limit,
    )


def _roof(model: TankModel, capacity: Capacity) -> RoofPlan | None:
    roof = model.roof
    if roof is None:
        return None
    density = None if roof.table_density is None else roof.table_density.value
    if density is None and isinstance(capacity, CapacityTable) and capacity.roof_included:
        density = capacity.roof_density_kg_m3
    return RoofPlan(roof.mass, roof.critical_low, roof.critical_high, density)


def _shell(model: TankModel) -> ShellPlan | None:
    shell = model.shell
    return None if shell is None else ShellPlan(shell.expansion, shell.table_temperature, shell.insulated)
