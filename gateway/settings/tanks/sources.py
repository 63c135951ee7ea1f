"""Which signal feeds which quantity of a tank: checks that it exists and measures what is wanted."""

from collections.abc import Iterable

from gateway.acquisition.signals.register_map import ValueType
from gateway.binding import Source
from gateway.settings.lines.plans import BuiltInstrument, BuiltLines
from gateway.settings.reading.document import KeyPath, Mistakes, dotted
from gateway.settings.reading.validation import suggestion
from gateway.units.quantity import Dimension

__all__ = ["Sources"]

_APART_AT_LEAST_S = 60.0
_APART_PERIODS = 1.5
_ACCURACY = 0.001
_LOOP_MARGIN = 0.5 / 16.0
"""Of the span: a loop measures up to 20.5 mA (NAMUR NE 43)."""
_USUAL_PA = 200e3
_WIDEST_PA = 250e3


class Sources:
    """Finds sources, gathering mistakes. A signal feeds one place only, except where it may be shared."""

    def __init__(self, lines: BuiltLines, mistakes: Mistakes) -> None:
        self._lines = lines
        self._mistakes = mistakes
        self._used: dict[tuple[str, str], KeyPath] = {}

    @property
    def declared(self) -> frozenset[str]:
        """Every instrument that the file names, right or wrong."""
        return self._lines.declared

    def find(
        self, path: KeyPath, instrument: str, signal: str, dimension: Dimension, *, shared: bool = False
    ) -> Source | None:
        """The source for the block at `path`, whose keys `instrument` and `signal` name it."""
        return self._find(path, instrument, signal, dimension, None, shared=shared)

    def find_temperature(
        self, path: KeyPath, instrument: str, signal: str, nominal_ohm: float | None, *, shared: bool = False
    ) -> Source | None:
        """The source of a temperature: in degrees, or in ohm with the element's resistance at 0 degC."""
        dimension = Dimension.TEMPERATURE if nominal_ohm is None else Dimension.RESISTANCE
        return self._find(path, instrument, signal, dimension, nominal_ohm, shared=shared)

    def find_flow(self, path: KeyPath, instrument: str, signal: str) -> tuple[Source, bool] | None:
        """A flow meter or a contact, and whether it is a contact. Two tanks may share one."""
        built = self._lines.instruments.get(instrument)
        is_contact = built is not None and _type(built, signal) is ValueType.BOOL
        source = self._find(path, instrument, signal, None if is_contact else Dimension.VOLUME_FLOW, None, shared=True)
        return None if source is None else (source, is_contact)

    def _find(
        self,
        path: KeyPath,
        instrument: str,
        signal: str,
        dimension: Dimension | None,
        nominal_ohm: float | None,
        *,
        shared: bool,
    ) -> Source | None:
        if instrument not in self._lines.declared:
            text = f"there is no instrument '{instrument}'; {suggestion(instrument, self._lines.declared)}"
            self._mistakes.add((*path, "instrument"), text)
            return None
        built = self._lines.instruments.get(instrument)
        if built is None:
            return None
        dimensions = built.registers.dimensions
        if signal not in dimensions:
            text = f"{instrument} has no signal '{signal}'; {suggestion(signal, dimensions)}"
            self._mistakes.add((*path, "signal"), text)
            return None
        found = dimensions[signal]
        if found is not dimension:
            what = found.with_article if found is not None else _WITHOUT_UNIT[_type(built, signal) is ValueType.BOOL]
            wanted = "a contact" if dimension is None else dimension.with_article
            text = f"{instrument}.{signal} is {what}; {wanted} is wanted here"
            if dimension is Dimension.VOLUME_FLOW:
                text += ", or a contact"
            if found is Dimension.CURRENT:
                text += ": give its signal current_loop, what 4 mA and 20 mA mean"
            if dimension is Dimension.TEMPERATURE and found is Dimension.RESISTANCE:
                text = f"{instrument}.{signal} is {what}; give resistance_element: Pt100 or Pt1000 to read it as degC"
            elif nominal_ohm is not None:
                text = f"{instrument}.{signal} is {what}, not a resistance; leave resistance_element out"
            self._mistakes.add((*path, "signal"), text)
            return None
        if not shared:
            other = self._used.setdefault((instrument, signal), path)
            if other != path:
                text = f"{instrument}.{signal} already feeds {dotted(other)}; a signal belongs in one place"
                self._mistakes.add((*path, "signal"), text)
            elif (twin := self._same_registers(built, instrument, signal)) is not None:
                text = f"{instrument}.{signal} reads the same register as {twin}; see to the address of each"
                self._mistakes.add((*path, "signal"), text)
        return Source(instrument, signal, built.plan.stale_after_s, nominal_ohm, built.plan.overdue_after_s)

    def _same_registers(self, built: BuiltInstrument, instrument: str, name: str) -> str | None:
        """A signal in use already whose number comes from the same place: the two would always say the same."""
        places = {each.name: (each.table, each.address, each.bit) for each in built.registers.map.signals}
        for other, place in places.items():
            if other != name and place == places[name] and (instrument, other) in self._used:
                return other
        return None

    def period_s(self, source: Source) -> float:
        return self._lines.instruments[source.instrument].plan.period_s

    def age_difference_limit_s(self, sources: Iterable[Source]) -> float:
        """By how much readings used together may differ in age while the level moves.

        One and a half of the longest period among them, a minute at least: an instrument that is polled in time never
        passes it, one whose poll was missed does so long before its reading is too old to be taken at all.
        """
        return max([_APART_AT_LEAST_S, *(_APART_PERIODS * self.period_s(source) for source in sources)])

    def accuracy_pa(self, source: Source) -> float:
        """Of a pressure transmitter in Pa, zero included: 0.1 % of the range that its signal states, its current loop's
        or from zero to its maximum, and at least its step (common practice).

        Where it states none, 0.1 % of 200 kPa. No tank's column weighs more than 250 kPa: a wider range is another's.
        """
        built = self._lines.instruments[source.instrument]
        signal = next(signal for signal in built.registers.map.signals if signal.name == source.signal)
        loop = signal.loop
        span_pa = signal.maximum if loop is None else abs(loop.high - loop.low)
        if span_pa is None or not 0.0 < span_pa <= _WIDEST_PA:
            span_pa = _USUAL_PA
        return max(_ACCURACY * span_pa, _step(built, source.signal))

    def range_of(self, source: Source) -> tuple[float | None, float | None]:
        """The least and the greatest SI value that the signal can have; None where it states none."""
        built = self._lines.instruments[source.instrument]
        signal = next(signal for signal in built.registers.map.signals if signal.name == source.signal)
        if signal.loop is None:
            return signal.minimum, signal.maximum
        ends = signal.loop.low, signal.loop.high
        margin = _LOOP_MARGIN * abs(ends[1] - ends[0])
        return min(ends) - margin, max(ends) + margin

    def resolution_m(self, source: Source) -> float:
        """The step of a level signal in m, at least 1 mm: what the gauge shows no finer."""
        return max(0.001, _step(self._lines.instruments[source.instrument], source.signal))


_WITHOUT_UNIT = {True: "a contact", False: "a counter"}


def _type(built: BuiltInstrument, name: str) -> ValueType | None:
    return next((signal.type for signal in built.registers.map.signals if signal.name == name), None)


def _step(built: BuiltInstrument, name: str) -> float:
    for signal in built.registers.map.signals:
        if signal.name == name and signal.loop is None and not signal.type.value.startswith("float"):
            return abs(signal.scale * signal.si_factor)
    return 0.0
