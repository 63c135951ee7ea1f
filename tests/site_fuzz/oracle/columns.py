"""The pressure of a column: product over free water over the nozzle, gas above, outside air beside (section j).

    P1 - P3 = g (rho (L - W) + rho_water (W - Z1) + rho_gas (Z3 - L) - rho_air (Z3 - Z1))

with Z1 the nozzle, W the free water but not below the nozzle, Z3 the transmitter of the gas, both pressures in gauge.
Of a vented tank P3 is nothing and the gas is air, so that where Z3 lies makes no difference.
"""

from typing import NamedTuple

from tests.site_fuzz.tanks import Tank

__all__ = ["AIR", "WATER", "Column", "column_of"]

AIR = 1.2
"""kg/m3 at sea level."""
WATER = 998.0
"""kg/m3 of free water, taken as fresh."""
_ATMOSPHERE = 101_325.0


class Column(NamedTuple):
    nozzle: float
    top: float
    """Z3."""
    gas: float
    air: float
    gravity: float

    def pressure(self, product_kg_m2: float, level: float, water: float) -> float:
        """P1 - P3 over `product_kg_m2` of product (its density times its height) up to `level`."""
        deep = max(0.0, water - self.nozzle)
        beside = self.gas * (self.top - level) - self.air * (self.top - self.nozzle)
        return self.gravity * (product_kg_m2 + WATER * deep + beside)

    def level(self, head_pa: float, density: float, water: float) -> float:
        """Solved for L; may be at or below the nozzle, and below the water where that alone is too heavy."""
        deep = max(0.0, water - self.nozzle)
        liquid = head_pa / self.gravity - (self.gas - self.air) * (self.top - self.nozzle)
        return self.nozzle + (liquid - (WATER - density) * deep) / (density - self.gas)

    def density(self, head_pa: float, level: float, water: float) -> float:
        """Solved for rho."""
        deep = max(0.0, water - self.nozzle)
        beside = self.air * (self.top - self.nozzle) - self.gas * (self.top - level)
        return (head_pa / self.gravity + beside - WATER * deep) / (level - self.nozzle - deep)


def column_of(tank: Tank, gas_pa: float) -> Column:
    """Of the tank's bottom pressure; `gas_pa`: gauge pressure above the liquid. Gas that nothing is said of is air."""
    hybrid = tank.hybrid
    nozzle = tank.gauge.nozzle if hybrid is None else hybrid.nozzle
    gas = AIR * (1.0 + gas_pa / _ATMOSPHERE)
    if hybrid is None or hybrid.vapour_height is None:
        return Column(nozzle, tank.top, gas, AIR, tank.gravity)
    return Column(nozzle, hybrid.vapour_height, hybrid.gas_density, hybrid.air_density, tank.gravity)
