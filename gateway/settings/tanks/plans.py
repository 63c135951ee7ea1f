"""Tanks: from the site file to frozen TankPlans and TankBindings."""

from dataclasses import dataclass

from gateway.binding import Source, TankBinding
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import ElementPlan, FreeWaterSource, TankPlan, TemperaturePlan, Weighting
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import GatewayError, SettingsError
from gateway.settings.capacity.table_file import read_capacity_csv
from gateway.settings.products.densities import BuiltProduct, Densities
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked
from gateway.settings.tanks.by_hand import ByHand
from gateway.settings.tanks.checks import check_tank
from gateway.settings.tanks.columns import ColumnBuilder
from gateway.settings.tanks.inputs import FittedInputs, InputsBuilder
from gateway.settings.tanks.limit_levels import limit_levels
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.optional_plans import build_optional_plans
from gateway.settings.tanks.shape_models import TankShape, VesselKind, capacity_of
from gateway.settings.tanks.sources import Sources
from gateway.settings.tanks.table_sense import check_table
from gateway.settings.watch.levels import check_time_to_act
from gateway.settings.watch.plans import WatchBuilder
from gateway.settings.watch.reach import check_reach
from gateway.watch.plan import WatchPlan

__all__ = ["TankBuilder", "TankSetup"]

_DEFAULT_PERIOD_S = 10.0
# Whose layers differ in volume, so that the mean temperature goes by slices unless told otherwise.
_ROUND = (VesselKind.LYING_CYLINDER, VesselKind.SPHERE)
_LONGEST_PERIOD_S = 60.0
"""Silence must show even where the level is polled more seldom."""


@dataclass(frozen=True, slots=True)
class TankSetup:
    """One tank: its plan, where its inputs come from, and how often at least a sheet is made."""

    plan: TankPlan
    binding: TankBinding
    description: str
    period_s: float
    watch: WatchPlan
    """How it is watched, and its alarms."""
    remarks: tuple[str, ...] = ()
    """What of its keys became something else than what is written: a share of the capacity a level."""
    dimensions: Capacity | None = None
    """What its capacity table must agree with; nothing is calculated from it."""
    kind: VesselKind | None = None
    """What the tank is; None where its capacity table does not say."""


class TankBuilder:
    """Builds the tanks of one site file, gathering mistakes."""

    def __init__(
        self,
        document: Document,
        mistakes: Mistakes,
        sources: Sources,
        manual: ManualValues,
        densities: Densities,
        watch: WatchBuilder,
        *,
        gravity: float | None,
        air_density: float,
        simulated: bool,
    ) -> None:
        self._document = document
        self._mistakes = mistakes
        self._sources = sources
        self._columns = ColumnBuilder(document, mistakes, manual, air_density)
        self._inputs = InputsBuilder(sources, mistakes, gravity, self._columns)
        self._manual = manual
        self._by_hand = ByHand(mistakes, manual)
        self._densities = densities
        self._watch = watch
        self._gravity = gravity
        self._simulated = simulated

    def build(
        self,
        tag: str,
        checked: Checked[TankModel],
        known: TankSetup | None = None,
        *,
        density_elsewhere: bool = False,
    ) -> TankSetup | None:
        """The tank, or None where a mistake was found (in it, or in something it depends on).

        `known`: the same tank with another product, whose volumes are known and right. `density_elsewhere`: what is
        entered while the gateway runs may give the density that is missing here.
        """
        path: KeyPath = ("tanks", tag)
        model = checked.model
        before = self._mistakes.count
        product = None
        if "product" not in checked.dropped:
            product = self._densities.product(model.product, (*path, "product"))
        capacity = self._capacity(model, checked.dropped, path) if known is None else known.plan.capacity
        kind = _vessel(model)
        dimensions = self._dimensions(model, path) if known is None else known.dimensions
        if known is None and isinstance(capacity, CapacityTable):
            check_table(capacity, model, kind, dimensions, path, self._manual)
        limits = limit_levels(model.limits, capacity, self._document, path, self._mistakes)
        check_tank(checked, capacity, limits, product, self._document, path, self._mistakes, self._manual)
        optional = build_optional_plans(
            checked, capacity, product, kind, self._document, path, self._mistakes, self._manual, self._columns
        )
        fitted = self._inputs.build(checked, path)
        binding = self._binding(tag, checked, fitted, product, path, density_elsewhere=density_elsewhere)
        self._watch.check(model.watch, path)
        if self._mistakes.count != before or checked.dropped or product is None or capacity is None:
            return None
        weighting = Weighting.SLICE_VOLUME if kind in _ROUND else Weighting.EQUAL
        plan = TankPlan(
            tank=tag,
            product=product.plan,
            capacity=capacity,
            reference_height_m=model.reference_height,
            gauge=fitted.gauge,
            second_gauge=fitted.second_gauge,
            gauge_difference_limit_m=0.010 if model.second_level is None else model.second_level.difference_limit,
            temperature=_temperature(model, fitted.elements, weighting),
            free_water=FreeWaterSource(model.free_water.kind),
            heel_holds=model.heel_holds,
            roof=optional.roof,
            shell=optional.shell,
            vapour=optional.vapour,
            pressure=optional.pressure,
            measured_density=optional.measured_density,
            liquid_head=optional.liquid_head,
            limits=limits.plan(),
            maximum_flow_in_m3_s=model.maximum_flow_in,
            maximum_flow_out_m3_s=model.maximum_flow_out,
            flows=fitted.flows,
            pressurised=model.pressurised,
            blanketed=model.blanketed,
            gravity_m_s2=9.80665 if self._gravity is None else self._gravity,
            buoyancy=product.buoyancy,
            age_difference_limit_s=self._sources.age_difference_limit_s(_used_together(binding)),
        )
        watch = self._watch.build(model.watch, plan, binding, path)
        remarks = limits.remarks(path)
        remarks += check_time_to_act(watch, limits, capacity, model, path, self._manual)
        gauges = (binding.level, binding.second_level)
        check_reach(plan, gauges, self._sources.range_of, limits, path, self._manual)
        period_s = self._period_s(model, binding)
        return TankSetup(plan, binding, model.description or "", period_s, watch, remarks, dimensions, kind)

    def _capacity(self, model: TankModel, dropped: frozenset[str], path: KeyPath) -> Capacity | None:
        if (model.shape is None) == (model.capacity_table is None):
            if not dropped & {"shape", "capacity_table"}:
                self._mistakes.add((*path, "shape"), "give one of shape and capacity_table")
            return None
        if model.capacity_table is not None:
            key: KeyPath = (*path, "capacity_table")
            file = self._document.folder(key) / model.capacity_table.file
            trouble = self._document.files.trouble_with(file)
            if trouble is not None:
                self._mistakes.add(key, trouble.sentence)
                return None
            try:
                return read_capacity_csv(file, self._document.files)
            except SettingsError as error:
                self._mistakes.foreign(error.mistakes)
                return None
        return None if model.shape is None else self._shape(model.shape, (*path, "shape"))

    def _dimensions(self, model: TankModel, path: KeyPath) -> Capacity | None:
        """What the capacity table is compared with."""
        table = model.capacity_table
        if table is None or table.compare_with is None:
            return None
        here: KeyPath = (*path, "capacity_table")
        if table.kind is not None and table.kind != table.compare_with.kind:
            text = f"{table.kind} is not that of compare_with, {table.compare_with.kind}; leave it out"
            self._mistakes.add((*here, "kind"), text)
        return self._shape(table.compare_with, (*here, "compare_with"))

    def _shape(self, model: TankShape, path: KeyPath) -> Capacity | None:
        try:
            return capacity_of(model)
        except GatewayError as error:
            for line in str(error).splitlines():
                self._mistakes.add(path, line)
            return None

    def _binding(
        self,
        tag: str,
        checked: Checked[TankModel],
        fitted: FittedInputs,
        product: BuiltProduct | None,
        path: KeyPath,
        *,
        density_elsewhere: bool,
    ) -> TankBinding:
        model = checked.model
        level, temperature, hand_water = self._by_hand.of_tank(model, checked.dropped, path)
        reference, observed = (None, None)
        if product is not None:
            reference, observed = self._densities.of_tank(model, product, path, is_needed=not density_elsewhere)
        sediment = None
        if model.sediment_water is not None:
            where = (*path, "sediment_water")
            sediment = self._by_hand.sediment_water(model.sediment_water, where, origin="site file")
        return TankBinding(
            tank=tag,
            level=fitted.level,
            second_level=fitted.second_level,
            bottom_pressure=fitted.bottom_pressure,
            vapour_pressure=fitted.vapour_pressure,
            water=fitted.water,
            elements=fitted.element_sources,
            ambient=fitted.ambient,
            flows=fitted.flow_sources,
            manual_level=level,
            manual_water=hand_water,
            manual_temperature=temperature,
            reference_density=reference,
            observed_density=observed,
            sediment_water=sediment,
            simulated=self._simulated,
        )

    def _period_s(self, model: TankModel, binding: TankBinding) -> float:
        if model.period is not None:
            return model.period
        main = binding.level or binding.bottom_pressure or binding.second_level
        return _DEFAULT_PERIOD_S if main is None else min(self._sources.period_s(main), _LONGEST_PERIOD_S)


def _vessel(model: TankModel) -> VesselKind | None:
    """What the tank is; None where its capacity table does not say."""
    if model.shape is not None:
        return VesselKind(model.shape.kind)
    table = model.capacity_table
    if table is None or table.kind is not None or table.compare_with is None:
        return None if table is None else table.kind
    return VesselKind(table.compare_with.kind)


def _used_together(binding: TankBinding) -> tuple[Source, ...]:
    """Level, temperature and density: what must be of one moment while the tank moves."""
    vapour = None if binding.bottom_pressure is None else binding.vapour_pressure
    single = (binding.level, binding.second_level, binding.bottom_pressure, vapour)
    return tuple(source for source in single if source is not None) + binding.elements


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
        given.spread,
        given.reach,
    )
