"""Values that are possible in themselves but make no sense where they stand: a slip of the pen found before it counts.

What cannot be is a mistake; what is only hard to believe is a warning. The bounds are common practice, drawn wide.
"""

from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.calculation.contracts import Capacity
from gateway.calculation.door import hand_refusal
from gateway.calculation.quantities.shell import METALS, shell_correction
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.modbus.tables import Table
from gateway.settings.lines.plans import BuiltLines
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import DipWater, TankModel
from gateway.settings.tanks.shape_models import VesselKind

__all__ = ["check_sense_of_lines", "check_sense_of_tank"]

_PERIOD_S = (0.02, 3600.0)
_UNHURRIED_S = 60.0
_TIMEOUT_S = (0.01, 60.0)
_HIGHEST_M = 100.0
_LARGEST_M3 = 1e6
_NOZZLE_M = 3.0
"""How far above the top of the volumes a reference point is found at most."""
_OFFSET_M = 1.0
_COARSEST_M = 0.5
_MUCH_WATER = 0.05
_STEEL_PER_C = (1e-6, 1e-4)
_TABLE_C = (-60.0, 200.0)
_WARMER_C = 30.0
"""For which the effect on a shell is told, so that its size can be judged."""
_HEAVIEST_VAPOUR = 200.0
_HEAVIEST_LIQUID = 3000.0
_SHEET_S = 60.0
_LAST_GOOD_S = 7 * 86_400.0
_FILLS_IN_S = 60.0
_FIRST_NUMBER = {
    Table.DISCRETE_INPUTS: 10_001,
    Table.INPUT_REGISTERS: 30_001,
    Table.HOLDING_REGISTERS: 40_001,
}


def check_sense_of_lines(lines: BuiltLines, document: Document, mistakes: Mistakes, manual: ManualValues) -> None:
    """Times of the lines and instruments that have no mistake otherwise."""
    report = _Report(document, mistakes, manual)
    for line in lines.lines:
        here: KeyPath = ("lines", line.name)
        if line.connect_timeout_s > _TIMEOUT_S[1]:
            report.wrong((*here, "connect_timeout"), "is too long to wait; give at most 60 s")
        if line.backoff_first_s > line.backoff_longest_s:
            report.wrong((*here, "backoff_first"), "is longer than backoff_longest; give at most that")
    for tag, built in lines.instruments.items():
        here = ("instruments", tag)
        plan = built.plan
        if not _PERIOD_S[0] <= plan.period_s <= _PERIOD_S[1]:
            report.wrong((*here, "period"), "is no period for polling; give 20 ms to 1 h")
        elif plan.period_s > _UNHURRIED_S:
            report.odd((*here, "period"), "is long: a reading counts as fresh for three periods")
        if not _TIMEOUT_S[0] <= plan.timeout_s <= _TIMEOUT_S[1]:
            report.wrong((*here, "timeout"), "is no time to wait for an answer; give 10 ms to 60 s")
        elif plan.timeout_s > plan.period_s:
            text = f"waiting {plan.timeout_s:g} s for an answer is longer than the period, {plan.period_s:g} s"
            manual.warn((*here, "timeout"), f"{text}: when it is silent, the whole line runs late")
        _addresses(plan.map, (*here, "map"), manual)


def check_sense_of_tank(
    checked: Checked[TankModel],
    capacity: Capacity | None,
    document: Document,
    path: KeyPath,
    mistakes: Mistakes,
    manual: ManualValues,
) -> None:
    """The values of one tank. `capacity` None: what it bounds is left unchecked."""
    report = _Report(document, mistakes, manual)
    model, dropped = checked
    _gauges(model, dropped, path, report)
    _thermometer(model, path, report)
    _shell(model, dropped, capacity, path, report)
    share = model.sediment_water
    if share is not None:
        place = report.value_of((*path, "sediment_water"))
        refused = hand_refusal("sediment_water", share.value, model.reference_height)
        if refused is not None:
            report.wrong(place, refused)
        elif share.value > _MUCH_WATER:
            report.odd(place, "is a great deal of sediment and water; 0.3 % would be usual")
    vapour = None if model.vapour is None else model.vapour.density
    if vapour is not None and vapour > _HEAVIEST_VAPOUR:
        text = "is the density of a liquid; give that of the vapour, below 200 kg/m3"
        report.wrong((*path, "vapour", "density"), text)
    if model.period is not None and model.period > _SHEET_S:
        report.wrong((*path, "period"), "would hide for so long that instruments are silent; give at most 60 s")
    if capacity is not None:
        _against(capacity, model, dropped, path, report)


def _addresses(registers: InstrumentMap, path: KeyPath, manual: ManualValues) -> None:
    """A register number copied from a manual is not the address on the wire, which counts from zero."""
    for signal in registers.signals:
        first = _FIRST_NUMBER.get(signal.table)
        if first is not None and first <= signal.address < first + 9_999:
            text = f"{signal.name} has the address {signal.address}; where that is the manual's register number"
            manual.warn(path, f"{text}, the address is {signal.address - first}")


class _Report:
    def __init__(self, document: Document, mistakes: Mistakes, manual: ManualValues) -> None:
        self._document = document
        self._mistakes = mistakes
        self._manual = manual

    def wrong(self, path: KeyPath, text: str) -> None:
        """A mistake, after the value as it was written, where it is one value."""
        self._mistakes.add(path, f"{self._document.text(path)} {text}".lstrip())

    def odd(self, path: KeyPath, text: str) -> None:
        """A warning, after the value as it was written."""
        self._manual.warn(path, f"{self._document.text(path)} {text}")

    def without(self, path: KeyPath, text: str) -> None:
        """Something that should stand under `path` and does not."""
        self._manual.warn(path, text)

    def value_of(self, path: KeyPath) -> KeyPath:
        """Where a dated entry holds its value: in `value`, or bare."""
        inner = (*path, "value")
        return path if self._document.node(inner) is None else inner


def _gauges(model: TankModel, dropped: frozenset[str], path: KeyPath, report: _Report) -> None:
    for key, gauge in (("level", model.level), ("second_level", model.second_level)):
        if gauge is None:
            continue
        here: KeyPath = (*path, key)
        if gauge.resolution is not None and not 0.0 < gauge.resolution <= _COARSEST_M:
            report.wrong((*here, "resolution"), "is no step of a level gauge; give for example 1 mm")
        if "reference_height" not in dropped and abs(gauge.offset) > model.reference_height:
            report.wrong((*here, "offset"), "is more than the whole reference height; give a few millimetres")
        elif abs(gauge.offset) > _OFFSET_M:
            report.odd((*here, "offset"), "is more than a correction; see to the datum and the reference height")
        other = {"innage": "ullage", "ullage": "innage"}.get(gauge.measures.value if gauge.measures else "")
        if other is not None and other in gauge.signal.lower():
            report.odd((*here, "measures"), f"is set for a signal called {gauge.signal}; see which of the two it is")
    second = model.second_level
    if second is not None and second.difference_limit <= 0.0:
        report.wrong((*path, "second_level", "difference_limit"), "is no difference; give for example 10 mm")


def _thermometer(model: TankModel, path: KeyPath, report: _Report) -> None:
    given = model.temperature
    if given is not None and given.last_good_limit > _LAST_GOOD_S:
        report.wrong((*path, "temperature", "last_good_limit"), "is too long for a stand-in; give at most 7 d")
    by_hand = None if model.manual is None else model.manual.temperature
    if by_hand is None:
        return
    refused = hand_refusal("manual_temperature", by_hand.value, model.reference_height)
    if refused is not None:
        report.wrong(report.value_of((*path, "manual", "temperature")), refused)


def _shell(
    model: TankModel, dropped: frozenset[str], capacity: Capacity | None, path: KeyPath, report: _Report
) -> None:
    shell = model.shell
    if shell is None:
        if "shell" not in dropped:
            _without_shell(model, capacity, path, report)
        return
    if shell.expansion is not None and not _STEEL_PER_C[0] <= shell.expansion <= _STEEL_PER_C[1]:
        text = "is no linear expansion of a shell; carbon steel has 0.0000112 /degC"
        report.wrong((*path, "shell", "expansion"), text)
    if shell.table_temperature is not None and not _TABLE_C[0] <= shell.table_temperature <= _TABLE_C[1]:
        text = "is no temperature of a capacity table; give that on the table, for example 15 degC"
        report.wrong((*path, "shell", "table_temperature"), text)


def _without_shell(model: TankModel, capacity: Capacity | None, path: KeyPath, report: _Report) -> None:
    """A table that says at which temperature it holds is wrong at another: whoever leaves that out is to know it."""
    table = capacity if isinstance(capacity, CapacityTable) else None
    kind = None if model.capacity_table is None else model.capacity_table.kind
    if (
        table is None
        or table.temperature_c is None
        or kind not in (None, VesselKind.UPRIGHT_CYLINDER, VesselKind.RECTANGULAR)
    ):
        return
    steel = METALS[0]
    warmer_c = table.temperature_c + _WARMER_C
    percent = 100.0 * (shell_correction(steel.linear_coefficient_per_c, warmer_c, table.temperature_c) - 1.0)
    report.without(
        (*path, "shell"),
        f"is missing: the capacity table holds at {table.temperature_c:.4g} degC, and nothing is corrected for a shell "
        f"that is warmer or colder, {percent:.3f} % for {_WARMER_C:g} degC of {steel.name} (API MPMS 12.1.1); give "
        "shell, or shell: none to leave it out",
    )


def _against(capacity: Capacity, model: TankModel, dropped: frozenset[str], path: KeyPath, report: _Report) -> None:
    top_m = capacity.top_m
    full_m3 = capacity.volume(top_m)
    what: KeyPath = (*path, "shape" if model.shape is not None else "capacity_table")
    if top_m > _HIGHEST_M or full_m3 > _LARGEST_M3:
        text = f"gives a tank of {top_m:.4g} m and {full_m3:.4g} m3, which nobody has built; see to the units"
        report.wrong(what, text)
    if "reference_height" not in dropped and model.reference_height > _HIGHEST_M:
        report.wrong((*path, "reference_height"), "is higher than any tank; see to the unit")
    elif "reference_height" not in dropped and model.shape is not None and model.reference_height > top_m + _NOZZLE_M:
        report.odd((*path, "reference_height"), f"is far above the top of the volumes, {top_m:.3f} m; see to it")
    if model.temperature is not None and model.temperature.immersion_margin >= top_m:
        key: KeyPath = (*path, "temperature", "immersion_margin")
        report.wrong(key, f"is more than the tank is high, {top_m:.3f} m; give for example 0.30 m")
    for keys, value in _heights_by_hand(model):
        highest = top_m if "reference_height" in dropped else model.reference_height
        refused = hand_refusal("dip_level", value, highest)
        if refused is not None:
            report.wrong(report.value_of((*path, *keys)), refused)
    flows = ("maximum_flow_in", "maximum_flow_out")
    if (
        model.level is not None
        and not dropped.intersection(flows)
        and any(getattr(model, name) is None for name in flows)
    ):
        missing = " and ".join(name for name in flows if getattr(model, name) is None)
        report.without(path, f"has no {missing}, so a false jump of the level cannot be told from pumping")
    for name in flows:
        flow = getattr(model, name)
        if flow is not None and flow * _FILLS_IN_S > full_m3:
            report.odd((*path, name), f"would move the whole tank in {full_m3 / flow:.0f} s; see to the unit")
    roof = model.roof
    floats = roof is not None and 0.0 < roof.critical_high <= top_m
    if roof is not None and floats and roof.mass > _HEAVIEST_LIQUID * capacity.volume(roof.critical_high):
        report.wrong((*path, "roof", "mass"), "is more than the liquid under it could carry")


def _heights_by_hand(model: TankModel) -> list[tuple[tuple[str, ...], float]]:
    found: list[tuple[tuple[str, ...], float]] = []
    if isinstance(model.free_water, DipWater):
        found.append((("free_water",), model.free_water.value))
    if model.manual is not None:
        for name in ("level", "water"):
            entry = getattr(model.manual, name)
            if entry is not None:
                found.append((("manual", name), entry.value))
    return found
