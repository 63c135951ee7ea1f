"""Palm, coconut and other fatty oils, traded by weight in air: a table of litre weights, or one value moved."""

from bisect import bisect_left
from dataclasses import dataclass, field

from gateway.calculation.limits import outside, require_within
from gateway.calculation.methods.by_temperature import DensityByTemperature
from gateway.calculation.methods.tabulated import TabulatedDensity, refuse_rise
from gateway.calculation.plan import AirBuoyancy
from gateway.calculation.quantities.mass import vacuo_from_air_density

__all__ = ["ISO_6883_SLOPE", "LitreWeightMoved", "LitreWeightTable"]

ISO_6883_SLOPE = 0.68
"""Fall of the litre weight in kg/m3 per degC (0.00068 g/ml per degC), ISO 6883."""

_AIR_DENSITY = (800.0, 1000.0)
"""Litre weights of fatty oils, in kg/m3: our own bound."""
_CONVENTIONAL = AirBuoyancy()


@dataclass(frozen=True, slots=True)
class LitreWeightTable(DensityByTemperature):
    """A table of litre weights in air against temperature, as trade contracts for fatty oils have it.

    `weights_in_air` are kg/m3 (1000 x kg/l) at `temperatures_c`, rising strictly. The tonnes in air are
    V(T) x weight(T): the density in vacuo is made from the weight in air by `buoyancy`, so that a sheet weighing with
    the same convention gives exactly that product. `nearest_step` takes the row nearest to the temperature (halves
    upward), as one reads a printed table; without it straight lines are drawn between rows. There is no step to a
    standard volume. A weight that rises with temperature is refused. Raises LimitError outside the table.
    """

    temperatures_c: tuple[float, ...]
    weights_in_air: tuple[float, ...]
    source: str
    nearest_step: bool = False
    buoyancy: AirBuoyancy = _CONVENTIONAL
    _table: TabulatedDensity = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for weight in self.weights_in_air:
            require_within("litre weight in air", weight, "kg/m3", *_AIR_DENSITY, self.clause)
        if len(self.temperatures_c) == len(self.weights_in_air):
            refuse_rise(self.temperatures_c, self.weights_in_air, "litre weight", "", self.clause)
        densities = tuple(vacuo_from_air_density(weight, self.buoyancy) for weight in self.weights_in_air)
        object.__setattr__(self, "_table", TabulatedDensity(self.temperatures_c, densities, self.source))

    @property
    def clause(self) -> str:
        return f"litre weight in air (ISO 6883): {self.source}"

    def density_at(self, temperature_c: float) -> float:
        """Density in vacuo in kg/m3 at `temperature_c` (degC). Raises LimitError outside the table."""
        density = self._table.density_at(temperature_c)
        return self._table.densities[self._nearest_row(temperature_c)] if self.nearest_step else density

    def _nearest_row(self, temperature_c: float) -> int:
        upper = bisect_left(self.temperatures_c, temperature_c)
        if upper == 0:
            return 0
        midway = 0.5 * (self.temperatures_c[upper - 1] + self.temperatures_c[upper])
        return upper if temperature_c >= midway - 1e-9 else upper - 1


@dataclass(frozen=True, slots=True)
class LitreWeightMoved(DensityByTemperature):
    """One laboratory litre weight moved by a few degrees: weight(T) = weight - slope (T - temperature_c).

    `weight_in_air` in kg/m3 at `temperature_c`, slope in kg/m3 per degC: 0.68 by ISO 6883. Not beyond `span_c` either
    way (5 degC unless stated, our own bound for "a few degrees", at most 10). Everything else as `LitreWeightTable`.
    """

    weight_in_air: float
    temperature_c: float
    source: str
    slope_per_c: float = ISO_6883_SLOPE
    span_c: float = 5.0
    buoyancy: AirBuoyancy = _CONVENTIONAL

    def __post_init__(self) -> None:
        require_within("litre weight in air", self.weight_in_air, "kg/m3", *_AIR_DENSITY, self.clause)
        require_within("temperature of the litre weight", self.temperature_c, "degC", 0.0, 120.0, self.clause)
        require_within("slope of the litre weight", self.slope_per_c, "kg/m3 per degC", 0.5, 0.9, self.clause)
        require_within("span", self.span_c, "degC", 0.0, 10.0, self.clause)

    @property
    def clause(self) -> str:
        return f"litre weight in air moved by {self.slope_per_c:.3g} kg/m3 per degC (ISO 6883): {self.source}"

    def density_at(self, temperature_c: float) -> float:
        """Density in vacuo in kg/m3 at `temperature_c` (degC). Raises LimitError beyond the span."""
        lowest, highest = self.temperature_c - self.span_c, self.temperature_c + self.span_c
        if not lowest <= temperature_c <= highest:
            raise outside("liquid temperature", temperature_c, "degC", lowest, highest, self.clause)
        weight = self.weight_in_air - self.slope_per_c * (temperature_c - self.temperature_c)
        return vacuo_from_air_density(weight, self.buoyancy)
