"""What a product is, as a laboratory report or a contract states it. SI: kg/m3, degC, mass fractions, 1/degC."""

from dataclasses import dataclass

__all__ = [
    "Coefficient",
    "Ethanol",
    "LitreWeight",
    "LitreWeights",
    "Lpg",
    "Method",
    "Petroleum1980",
    "Petroleum2004",
    "Points",
    "Product",
    "Solution",
    "StraightLine",
    "WaterItself",
]


@dataclass(frozen=True)
class Petroleum2004:
    """API MPMS 11.1 (2004)."""

    group: str
    reference_c: float
    alpha_60f_per_f: float | None = None
    """Of a special product only."""


@dataclass(frozen=True)
class Petroleum1980:
    """The tables of 1980: 6 and 24 at 60 degF, 54 at 15 degC, 60 at 20 degC."""

    group: str
    table: int
    alpha_per_c: float | None = None
    cold: bool = False

    @property
    def reference_c(self) -> float:
        return {6: 28.0 / 1.8, 24: 28.0 / 1.8, 54: 15.0, 60: 20.0}[self.table]


@dataclass(frozen=True)
class Lpg:
    """GPA TP-27."""

    reference_c: float


@dataclass(frozen=True)
class Coefficient:
    """A constant coefficient at a reference temperature, and the range it is stated for (None: none is stated)."""

    alpha_per_c: float
    reference_c: float
    lowest_c: float | None
    highest_c: float | None


@dataclass(frozen=True)
class StraightLine:
    density: float
    at_c: float
    slope: float
    lowest_c: float
    highest_c: float
    reference_c: float | None


@dataclass(frozen=True)
class Points:
    temperatures_c: tuple[float, ...]
    densities: tuple[float, ...]
    cubic: bool
    reference_c: float | None


@dataclass(frozen=True)
class Solution:
    fractions: tuple[float, ...]
    temperatures_c: tuple[float, ...]
    densities: tuple[tuple[float, ...], ...]
    """One row a fraction."""
    fraction: float | None
    reference_c: float | None


@dataclass(frozen=True)
class Ethanol:
    """OIML R 22. At most one strength; without one it follows from the density."""

    by_mass: float | None
    by_volume: float | None
    reference_c: float


@dataclass(frozen=True)
class WaterItself:
    equation: str
    reference_c: float | None


@dataclass(frozen=True)
class LitreWeight:
    """One weight in air of a litre (kg/m3), moved by `slope` a degree over `span` degrees either way."""

    weight: float
    at_c: float
    slope: float
    span_c: float
    reference_c: None = None


@dataclass(frozen=True)
class LitreWeights:
    temperatures_c: tuple[float, ...]
    weights: tuple[float, ...]
    nearest_row: bool
    reference_c: None = None


Method = (
    Petroleum2004
    | Petroleum1980
    | Lpg
    | Coefficient
    | StraightLine
    | Points
    | Solution
    | Ethanol
    | WaterItself
    | LitreWeight
    | LitreWeights
)


@dataclass(frozen=True)
class Product:
    kind: str
    """The kind that it was drawn as, for the count of what has been covered."""
    method: Method
    convention: str
    """Of weight in air: buoyancy, density_reduction or table_56."""
    air_density: float
    weights_density: float
    rounded: bool
    """Inputs and factors rounded as the standard has it."""
    solute_fraction: float | None
    coldest_c: float
    hottest_c: float
    """Where its tanks are kept: within what the method holds for."""
    typical_density: float
    """kg/m3 at reference, or about so: what is drawn where a density is entered."""
