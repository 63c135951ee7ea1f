"""Where mixtures of ethanol and water begin to freeze: below, part of the tank is ice, and no density of the liquid is
the density of what stands in it."""

from bisect import bisect_left

from gateway.errors import LimitError

__all__ = ["freezing_point", "frozen", "require_liquid"]

_CLAUSE = "freezing points of aqueous solutions, CRC Handbook of Chemistry and Physics"

# CRC Handbook of Chemistry and Physics, 102nd edition (2021), Concentrative Properties of Aqueous Solutions, ethanol:
# per cent by mass, depression of the freezing point in degC. From 30 % on a mixture is liquid down to -20 degC, where
# OIML R 22 ends.
_DEPRESSIONS = (
    (0.0, 0.0), (0.5, 0.20), (1.0, 0.40), (2.0, 0.81), (3.0, 1.23), (4.0, 1.65), (5.0, 2.09), (6.0, 2.54), (7.0, 2.99),
    (8.0, 3.47), (9.0, 3.96), (10.0, 4.47), (11.0, 5.00), (12.0, 5.56), (13.0, 6.13), (14.0, 6.73), (15.0, 7.36),
    (16.0, 8.01), (17.0, 8.69), (18.0, 9.40), (19.0, 10.14), (20.0, 10.92), (22.0, 12.60), (24.0, 14.47),
    (26.0, 16.41), (28.0, 18.43), (30.0, 20.47),
)  # fmt: skip
_FRACTIONS = tuple(percent / 100.0 for percent, _ in _DEPRESSIONS)
_POINTS_C = tuple(-depression for _, depression in _DEPRESSIONS)


def freezing_point(mass_fraction: float) -> float:
    """degC at which a mixture of ethanol `mass_fraction` (0..1, by mass) begins to freeze; at 0.30 and above -20.47.

    Straight lines between the rows of the handbook, which miss the curve by less than 0.03 degC.
    """
    if mass_fraction >= _FRACTIONS[-1]:
        return _POINTS_C[-1]
    upper = max(bisect_left(_FRACTIONS, mass_fraction), 1)
    low, high = _FRACTIONS[upper - 1], _FRACTIONS[upper]
    share = (mass_fraction - low) / (high - low)
    return _POINTS_C[upper - 1] + share * (_POINTS_C[upper] - _POINTS_C[upper - 1])


def require_liquid(mass_fraction: float, temperature_c: float, quantity: str = "liquid temperature") -> None:
    """Raises LimitError where a mixture of `mass_fraction` (by mass) is not all liquid at `temperature_c` (degC)."""
    point_c = freezing_point(mass_fraction)
    if temperature_c < point_c:
        raise frozen(mass_fraction, temperature_c, point_c, quantity)


def frozen(
    mass_fraction: float, temperature_c: float, point_c: float, quantity: str = "liquid temperature"
) -> LimitError:
    """The error for a temperature below the freezing point `point_c`."""
    limit = f"below {point_c:.2f} degC, where {100.0 * mass_fraction:.4g} % by mass begins to freeze: not all is liquid"
    return LimitError(quantity, temperature_c, "degC", limit, _CLAUSE)
