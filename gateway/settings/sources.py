"""Which signal feeds which quantity of a tank: checks that it exists and measures what is wanted."""

from gateway.binding import Source
from gateway.calculation.units import Dimension
from gateway.settings.document import KeyPath, Mistakes, dotted
from gateway.settings.lines import BuiltInstrument, BuiltLines
from gateway.settings.validation import suggestion

__all__ = ["Sources"]

_STALE_PERIODS = 3.0
_STALE_AT_LEAST_S = 60.0


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
            what = found.with_article if found is not None else "a contact"
            text = f"{instrument}.{signal} is {what}; {dimension.with_article} is wanted here"
            self._mistakes.add((*path, "signal"), text)
            return None
        if not shared:
            other = self._used.setdefault((instrument, signal), path)
            if other != path:
                text = f"{instrument}.{signal} already feeds {dotted(other)}; a signal belongs in one place"
                self._mistakes.add((*path, "signal"), text)
        return Source(instrument, signal, max(_STALE_PERIODS * built.plan.period_s, _STALE_AT_LEAST_S))

    def period_s(self, source: Source) -> float:
        return self._lines.instruments[source.instrument].plan.period_s

    def resolution_m(self, source: Source) -> float:
        """The step of a level signal in m, at least 1 mm: what the gauge shows no finer."""
        return max(0.001, _step(self._lines.instruments[source.instrument], source.signal))


def _step(built: BuiltInstrument, name: str) -> float:
    for signal in built.registers.map.signals:
        if signal.name == name and signal.loop is None and not signal.type.value.startswith("float"):
            return abs(signal.scale * signal.si_factor)
    return 0.0
