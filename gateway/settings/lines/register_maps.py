"""Register maps: from the site file or from the maps that come with the program to the frozen InstrumentMap."""

import sys
from collections.abc import Mapping
from typing import NamedTuple

from gateway.acquisition.signals.register_map import CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.errors import QuantityError
from gateway.settings.lines.map_trees import MapTrees
from gateway.settings.lines.models import ForbiddenModel, MapModel, SignalModel
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked, suggestion, validate
from gateway.units.quantity import Dimension, dimensions_of, parse_any, parse_quantity, si_conversion, si_unit

__all__ = ["BuiltMap", "MapLibrary", "build_map"]

_HIGHEST_ADDRESS = 65535
_LARGEST_BLOCK = 125
# Where a map gives no range: what no instrument of a tank can mean, such as floats whose words are swapped.
_SANE: Mapping[Dimension, tuple[float, float]] = {
    Dimension.LENGTH: (-1e3, 1e3),
    Dimension.TEMPERATURE: (-200.0, 600.0),
    Dimension.GAUGE_PRESSURE: (-110e3, 100e6),
    Dimension.ABSOLUTE_PRESSURE: (-10e3, 100e6),
    Dimension.DENSITY: (-10.0, 25e3),
    Dimension.VOLUME_FLOW: (-100.0, 100.0),
    Dimension.RESISTANCE: (-10.0, 1e9),
}
_LEAST: Mapping[Dimension, float] = {
    Dimension.LENGTH: 1e-6,
    Dimension.TEMPERATURE: 1e-6,
    Dimension.GAUGE_PRESSURE: 1e-3,
    Dimension.ABSOLUTE_PRESSURE: 1e-3,
    Dimension.DENSITY: 1e-6,
    Dimension.VOLUME_FLOW: 1e-9,
    Dimension.RESISTANCE: 1e-6,
    Dimension.TIME: 1e-6,
    Dimension.RATIO: 1e-9,
}
"""In SI: what is closer to zero, and not zero, lies far below what any instrument of a tank resolves."""
_INTEGER_RANGES = {
    ValueType.INT16: (-(2**15), 2**15 - 1),
    ValueType.UINT16: (0, 2**16 - 1),
    ValueType.INT32: (-(2**31), 2**31 - 1),
    ValueType.UINT32: (0, 2**32 - 1),
    ValueType.INT64: (-(2**63), 2**63 - 1),
    ValueType.UINT64: (0, 2**64 - 1),
}

_FLOAT_LARGEST = {ValueType.FLOAT32: 3.4028234663852886e38, ValueType.FLOAT64: sys.float_info.max}


class BuiltMap(NamedTuple):
    """A map, and what each of its signals measures: None for a contact."""

    map: InstrumentMap
    dimensions: Mapping[str, Dimension | None]


class MapLibrary:
    """The maps by name: those of the site file first, then those in `config/instruments`."""

    def __init__(self, document: Document, mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self._built: dict[str, BuiltMap | None] = {}
        self._trees = MapTrees(document, mistakes)
        for name in self._trees.own:
            self._build_own(name, document)

    def _build_own(self, name: str, document: Document) -> None:
        if name in self._built:
            return
        self._built[name] = None
        base = self._trees.own_base(name)
        if base is not None:
            self._build_own(base, document)
        before = self._mistakes.count
        if self._trees.complete(name, base_is_right=base is None or self._built[base] is not None):
            path: KeyPath = ("maps", name)
            checked = validate(MapModel, document, path, self._mistakes)
            built = _build_whole(checked, name, path, self._mistakes)
            self._built[name] = built if self._mistakes.count == before else None

    def find(self, name: str, path: KeyPath) -> BuiltMap | None:
        """The map `name` for the key at `path`; a map that does not exist is a mistake there."""
        if name not in self._built:
            names = self._trees.names
            if name not in names:
                self._mistakes.add(path, f"there is no register map '{name}'; {suggestion(name, names)}")
                return None
            self._built[name] = self._shipped(name)
        return self._built[name]

    def _shipped(self, name: str) -> BuiltMap | None:
        found = self._trees.shipped(name)
        if found is None:
            return None
        document, mistakes = found
        built = _build_whole(validate(MapModel, document, (), mistakes), name, (), mistakes)
        self._mistakes.foreign(mistakes.lines())
        return built


def _build_whole(checked: Checked[MapModel] | None, name: str, path: KeyPath, mistakes: Mistakes) -> BuiltMap | None:
    if checked is None or "signals" in checked.dropped:
        return None
    built = build_map(checked.model, name, path, mistakes)
    return None if checked.dropped else built


def build_map(model: MapModel, name: str, path: KeyPath, mistakes: Mistakes) -> BuiltMap | None:
    """The frozen map. None where a mistake was found."""
    before = mistakes.count
    signals: list[Signal] = []
    dimensions: dict[str, Dimension | None] = {}
    if not model.signals:
        mistakes.add((*path, "signals"), "is empty; give at least one signal")
    for signal_name, signal_model in model.signals.items():
        here: KeyPath = (*path, "signals", signal_name)
        counts = signal_name == model.counter_signal
        signal, dimension = _SignalBuilder(signal_name, signal_model, here, mistakes, counts=counts).build()
        dimensions[signal_name] = dimension
        signals.append(signal)
    _check_overlaps(signals, path, mistakes)
    _check_forbidden(model.forbidden, signals, path, mistakes)
    for index, fault in enumerate(model.fault_signals):
        if fault not in dimensions:
            text = f"there is no signal '{fault}'; {suggestion(fault, dimensions)}"
            mistakes.add((*path, "fault_signals", index), text)
        elif model.signals[fault].type is not ValueType.BOOL:
            text = f"'{fault}' is a {model.signals[fault].type.value}; a fault signal must be a bool"
            mistakes.add((*path, "fault_signals", index), text)
    _check_freshness(model, dimensions, path, mistakes)
    widest = max((signal.registers for signal in signals), default=1)
    if not widest <= model.largest_block <= _LARGEST_BLOCK:
        text = f"{model.largest_block} is not a block size for this map; give {widest} to {_LARGEST_BLOCK}"
        mistakes.add((*path, "largest_block"), text)
    if mistakes.count != before:
        return None
    forbidden = tuple((entry.table, entry.first, entry.last) for entry in model.forbidden)
    built = InstrumentMap(
        name,
        tuple(signals),
        model.largest_block,
        model.gaps,
        forbidden,
        tuple(model.fault_signals),
        model.age_signal,
        model.counter_signal,
    )
    return BuiltMap(built, dimensions)


class _SignalBuilder:
    """Checks one signal and builds it."""

    def __init__(self, name: str, model: SignalModel, path: KeyPath, mistakes: Mistakes, *, counts: bool) -> None:
        """`counts`: its number only has to be another one each time, whatever its unit."""
        self._counts = counts
        self._name = name
        self._model = model
        self._path = path
        self._mistakes = mistakes

    def build(self) -> tuple[Signal, Dimension | None]:
        model = self._model
        self._check_place()
        self._check_sentinels()
        factor, offset, scale, shift = 1.0, 0.0, model.scale, model.offset
        loop: CurrentLoop | None = None
        dimension: Dimension | None = None
        if model.type is ValueType.BOOL:
            if model.unit is not None:
                self._wrong("unit", "a bool has no unit; leave it out")
        elif model.unit is None:
            if not self._counts:
                self._wrong("unit", "is missing; give the unit of the number after scale and offset, for example mm")
        elif model.current_loop is not None:
            loop, dimension = self._loop()
            to_milliampere = self._milliampere()
            scale, shift = scale * to_milliampere, shift * to_milliampere
        else:
            dimension = dimensions_of(model.unit)[0]
            try:
                factor, offset = si_conversion(model.unit, dimension)
            except QuantityError as error:
                self._wrong("unit", str(error))
        if model.scale == 0.0:
            self._wrong("scale", "is 0, which would make every value the same; give for example 0.1")
        lowest, highest = self._range(dimension)
        signal = Signal(
            name=self._name,
            table=model.table,
            address=model.address,
            type=model.type,
            order=model.order,
            bit=model.bit,
            bits=model.bits,
            scale=scale,
            offset=shift,
            si_factor=factor,
            si_offset=offset,
            sentinels=tuple(model.sentinels),
            none_detected=tuple(model.none_detected),
            loop=loop,
            minimum=lowest,
            maximum=highest,
            least=0.0 if dimension is None else _LEAST.get(dimension, 0.0),
            unit="" if dimension is None else si_unit(dimension),
        )
        return signal, dimension

    def _wrong(self, key: str, text: str) -> None:
        self._mistakes.add((*self._path, key), text)

    def _check_place(self) -> None:
        model = self._model
        width = 1 if model.table.holds_bits else model.type.registers
        if not 0 <= model.address <= _HIGHEST_ADDRESS - width + 1:
            text = f"{model.address} is not an address; give 0 to {_HIGHEST_ADDRESS - width + 1}, counted from zero"
            self._wrong("address", text)
        if model.table.holds_bits:
            if model.type is not ValueType.BOOL:
                self._wrong("type", f"{model.table.value} hold bits, so the type must be bool")
            if model.bit is not None:
                self._wrong("bit", f"{model.table.value} hold bits, so there is none to choose; leave it out")
            return
        if model.type is ValueType.BOOL and model.bit is None:
            self._wrong("bit", "is missing; say which bit of the register, 0 to 15, least significant first")
        if model.bit is None:
            if model.bits != 1:
                self._wrong("bits", "needs bit beside it, the first of the bits")
            return
        if model.type not in (ValueType.BOOL, ValueType.UINT16):
            self._wrong("bit", f"a {model.type.value} has no bit to choose; use type bool or uint16")
        if not 0 <= model.bit <= 15:
            self._wrong("bit", f"{model.bit} is not a bit of a register; give 0 to 15")
        elif not 1 <= model.bits <= 16 - model.bit:
            self._wrong("bits", f"{model.bits} bits from bit {model.bit} do not fit; give 1 to {16 - model.bit}")
        elif model.type is ValueType.BOOL and model.bits != 1:
            self._wrong("bits", "a bool is one bit; use type uint16 for a field of several")

    def _check_sentinels(self) -> None:
        model = self._model
        for key, numbers in (("sentinels", model.sentinels), ("none_detected", model.none_detected)):
            if numbers and model.type is ValueType.BOOL:
                self._wrong(key, "a bool has none; leave it out")
                continue
            for number in numbers:
                text = _not_of(number, model.type)
                if text is not None:
                    self._wrong(key, text)
        for number in set(model.sentinels) & set(model.none_detected):
            self._wrong("none_detected", f"{number} is a sentinel too; it can mean only one of the two")

    def _milliampere(self) -> float:
        unit = self._model.unit or ""
        if Dimension.CURRENT not in dimensions_of(unit):
            self._wrong("unit", f"'{unit}' is not a current; with a current loop write mA or uA")
            return 1.0
        return si_conversion(unit, Dimension.CURRENT)[0] * 1000.0

    def _loop(self) -> tuple[CurrentLoop | None, Dimension | None]:
        loop = self._model.current_loop
        if loop is None:
            return None, None
        dimension = self._dimension_of("current_loop", "low", loop.low)
        if dimension is None:
            return None, None
        low = self._quantity(("current_loop", "low"), loop.low, dimension)
        high = self._quantity(("current_loop", "high"), loop.high, dimension)
        if low is None or high is None:
            return None, dimension
        if low == high:
            self._wrong("current_loop", "low and high are the same; give what 4 mA and what 20 mA mean")
        return CurrentLoop(low, high), dimension

    def _dimension_of(self, block: str, key: str, text: str) -> Dimension | None:
        try:
            return parse_any(text)[0]
        except QuantityError as error:
            self._mistakes.add((*self._path, block, key), str(error))
            return None

    def _quantity(self, keys: tuple[str, ...], text: str, dimension: Dimension) -> float | None:
        try:
            return parse_quantity(text, dimension)
        except QuantityError as error:
            self._mistakes.add((*self._path, *keys), str(error))
            return None

    def _range(self, dimension: Dimension | None) -> tuple[float | None, float | None]:
        model = self._model
        texts = {"minimum": model.minimum, "maximum": model.maximum}
        values: dict[str, float | None] = {"minimum": None, "maximum": None}
        for key, text in texts.items():
            if text is None:
                continue
            if dimension is None:
                if model.type is ValueType.BOOL:
                    self._wrong(key, "a bool has no range; leave it out")
            else:
                values[key] = self._quantity((key,), text, dimension)
        lowest, highest = values["minimum"], values["maximum"]
        if lowest is not None and highest is not None and lowest >= highest:
            self._wrong("maximum", f"{model.maximum} is not above the minimum, {model.minimum}")
        sane_lowest, sane_highest = (None, None) if dimension is None else _SANE.get(dimension, (None, None))
        return sane_lowest if lowest is None else lowest, sane_highest if highest is None else highest


def _check_freshness(
    model: MapModel, dimensions: Mapping[str, Dimension | None], path: KeyPath, mistakes: Mistakes
) -> None:
    for key, name in (("age_signal", model.age_signal), ("counter_signal", model.counter_signal)):
        if name is not None and name not in dimensions:
            mistakes.add((*path, key), f"there is no signal '{name}'; {suggestion(name, dimensions)}")
    age, counter = model.age_signal, model.counter_signal
    if age is not None and dimensions.get(age, Dimension.TIME) is not Dimension.TIME:
        mistakes.add((*path, "age_signal"), f"'{age}' is no time; give the signal that says an age, its unit s or min")
    if counter is not None and counter in dimensions and model.signals[counter].type not in _INTEGER_RANGES:
        text = f"'{counter}' is a {model.signals[counter].type.value}; a counter is a whole number"
        mistakes.add((*path, "counter_signal"), text)


def _not_of(number: float, kind: ValueType) -> str | None:
    """Why a device cannot send that number as this type; None where it can."""
    limits = _INTEGER_RANGES.get(kind)
    if limits is None:
        largest = _FLOAT_LARGEST[kind]
        return None if abs(number) <= largest else f"{number:g} is outside {kind.value}; give up to {largest:.4g}"
    if not isinstance(number, int):
        return f"{number:g} is not a whole number, and {kind.value} sends only such; give for example {limits[1]}"
    if not limits[0] <= number <= limits[1]:
        return f"{number} is outside {kind.value}; give {limits[0]} to {limits[1]}"
    return None


def _check_overlaps(signals: list[Signal], path: KeyPath, mistakes: Mistakes) -> None:
    """Two signals may share registers only where both read them alike, or both take bits of one register."""
    ordered = sorted(signals, key=lambda signal: (signal.table, signal.address))
    for index, first in enumerate(ordered):
        end = first.address + first.registers
        for second in ordered[index + 1 :]:
            if second.table is not first.table or second.address >= end:
                break
            alike = (first.address, first.type, first.order) == (second.address, second.type, second.order)
            both_bits = first.bit is not None and second.bit is not None
            if not alike and not both_bits:
                text = (
                    f"{_registers(second)} as {second.type.value} overlaps {first.name}, "
                    f"{_registers(first)} as {first.type.value}; give each its own addresses or the same type"
                )
                mistakes.add((*path, "signals", second.name), text)


def _registers(signal: Signal) -> str:
    last = signal.address + signal.registers - 1
    return f"{signal.table.value} {signal.address}" + (f" to {last}" if last > signal.address else "")


def _check_forbidden(
    forbidden: tuple[ForbiddenModel, ...], signals: list[Signal], path: KeyPath, mistakes: Mistakes
) -> None:
    for index, entry in enumerate(forbidden):
        here: KeyPath = (*path, "forbidden", index)
        if not 0 <= entry.first <= entry.last <= _HIGHEST_ADDRESS:
            text = f"{entry.first} to {entry.last} is not a range of addresses; give first at most last, 0 to 65535"
            mistakes.add(here, text)
        for signal in signals:
            last = signal.address + signal.registers - 1
            if entry.table is signal.table and signal.address <= entry.last and last >= entry.first:
                text = f"{_registers(signal)} lies in the forbidden range {entry.first} to {entry.last}"
                mistakes.add((*path, "signals", signal.name), text)
