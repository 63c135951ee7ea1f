"""One tank as physics. What moves is mass and heat; volume, level and pressures follow from them.

The contents are conserved as the mass of product and the volume of free water. Warming a closed tank therefore lifts
its level and leaves its mass alone. SI units and degrees Celsius throughout.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from simulators.profile import Profile
from simulators.shapes import Shape, UprightCylinder, solve_increasing

__all__ = ["AIR_DENSITY", "GRAVITY", "WATER_DENSITY", "Ambient", "Density", "FloatingRoof", "Tank"]

GRAVITY = 9.80665
"""m/s2, the standard value (ISO 80000-3, item 3-9.2)."""
WATER_DENSITY = 1000.0
"""kg/m3 of the free water at the bottom; common practice for settled water of unknown salinity."""
AIR_DENSITY = 1.2
"""kg/m3 of the air outside, and of that above the liquid of a vented tank (OIML D 28, conventional)."""


@dataclass(frozen=True, slots=True)
class Density:
    """Density of the product against temperature, by one of two forms.

    `expansion_per_k`: rho = rho_ref exp(-a dT (1 + 0.8 a dT)), the form of API MPMS 11.1 with a constant a.
    `slope_kg_m3_k`: rho = rho_ref + slope dT.
    """

    reference_kg_m3: float
    reference_c: float
    expansion_per_k: float = 0.0
    slope_kg_m3_k: float = 0.0

    def at(self, temperature_c: float) -> float:
        """kg/m3 at a temperature."""
        difference = temperature_c - self.reference_c
        a = self.expansion_per_k * difference
        return self.reference_kg_m3 * math.exp(-a * (1 + 0.8 * a)) + self.slope_kg_m3_k * difference


@dataclass(frozen=True, slots=True)
class FloatingRoof:
    """A roof that sinks into the liquid by its own weight above `afloat_m`, and stands on its legs below `landed_m`."""

    mass_kg: float
    landed_m: float
    afloat_m: float

    def displaced(self, level_m: float, density_kg_m3: float) -> float:
        """Volume of liquid it displaces, m3."""
        share = (level_m - self.landed_m) / (self.afloat_m - self.landed_m)
        return min(max(share, 0.0), 1.0) * self.mass_kg / density_kg_m3


@dataclass(frozen=True, slots=True)
class Ambient:
    """The air outside: its mean, half its daily swing, and how slowly liquid and vapour follow it."""

    mean_c: float
    swing_k: float = 0.0
    liquid_time_constant_s: float = 1_000_000.0
    vapour_time_constant_s: float = 20_000.0

    def at(self, time_s: float) -> float:
        """degC at a time of the scenario; it starts at the mean and rises."""
        return self.mean_c + self.swing_k * math.sin(2 * math.pi * time_s / 86400.0)


class Tank:
    """One tank.

    `elements_m` are the heights of the temperature elements, lowest first, and `temperatures_c` what stands at those
    heights to begin with. Where no element is wet, `liquid_c` gives the liquid's temperature; where all are,
    `vapour_c` the vapour's.
    """

    def __init__(
        self,
        tag: str,
        shape: Shape,
        *,
        reference_height_m: float,
        density: Density,
        level_m: float,
        water_m: float = 0.0,
        elements_m: tuple[float, ...] = (),
        temperatures_c: tuple[float, ...] = (),
        liquid_c: float | None = None,
        vapour_c: float | None = None,
        vapour_pressure_pa: float = 0.0,
        vapour_pressure_slope_pa_k: float = 0.0,
        roof: FloatingRoof | None = None,
        ambient: Ambient | None = None,
        heating_w: float = 0.0,
        heat_capacity_j_kg_k: float = 2000.0,
    ) -> None:
        self.tag = tag
        self.shape = shape
        self.reference_height_m = reference_height_m
        self.density = density
        self.elements_m = elements_m
        self.roof = roof
        self.ambient = ambient
        self.outside_c = 0.0 if ambient is None else ambient.at(0.0)
        """Of the air; counts where the tank has `ambient`."""
        self.heating_w = heating_w
        self.heat_capacity_j_kg_k = heat_capacity_j_kg_k
        self.vapour_pressure_slope_pa_k = vapour_pressure_slope_pa_k
        self.spilled_kg = 0.0
        self.watchers: list[Callable[[], None]] = []
        """Called after every change, so that instruments know when their registers are out of date."""
        self.inflow_m3_s = 0.0
        """Product that flowed in over the last step; negative for out."""
        self._flow_m3_s = 0.0
        self._flow_c: float | None = None
        self._level_m = 0.0
        self._water_m3 = 0.0
        self._mass_kg = 0.0
        self._check_level(level_m)
        self._level_m = level_m
        self._water_m3 = shape.volume(water_m) if water_m > 0 else 0.0
        self._water_m = water_m
        self._set_profiles(temperatures_c, liquid_c, vapour_c)
        self._vapour_pressure_pa = vapour_pressure_pa
        self._vapour_reference_c = self._liquid_c
        self._take_mass_from_level()

    # Truth

    @property
    def level_m(self) -> float:
        """Liquid surface above the datum."""
        return self._level_m

    @property
    def ullage_m(self) -> float:
        """Liquid surface below the reference point at the top."""
        return self.reference_height_m - self._level_m

    @property
    def water_m(self) -> float:
        """Free-water surface above the datum; 0 where there is none."""
        return self._water_m

    @property
    def observed_volume_m3(self) -> float:
        """Everything below the surface as the tank's shape has it: product, water, and what a roof displaces."""
        return self.shape.volume(self._level_m)

    @property
    def water_volume_m3(self) -> float:
        """Free water."""
        return self._water_m3

    @property
    def product_volume_m3(self) -> float:
        """Product at its own temperature."""
        return self._mass_kg / self.density_kg_m3

    @property
    def mass_kg(self) -> float:
        """Product, without water and vapour."""
        return self._mass_kg

    @property
    def liquid_temperature_c(self) -> float:
        """Mean of the liquid, weighted by volume."""
        return self._liquid_c

    @property
    def density_kg_m3(self) -> float:
        """Product at tank temperature."""
        return self.density.at(self._liquid_c)

    @property
    def temperatures_c(self) -> tuple[float, ...]:
        """At the elements, lowest first."""
        return tuple(self.temperature_at(height) for height in self.elements_m)

    @property
    def vapour_pressure_pa(self) -> float:
        """Gauge pressure above the liquid."""
        return self._vapour_pressure_pa + self.vapour_pressure_slope_pa_k * (self._liquid_c - self._vapour_reference_c)

    @property
    def flow_m3_h(self) -> float:
        """Flow set by hand, in positive; movements of the scenario come on top."""
        return self._flow_m3_s * 3600.0

    def temperature_at(self, height_m: float) -> float:
        """degC at a height: of the liquid up to the surface, of the vapour above it."""
        return (self._liquid if height_m <= self._level_m else self._vapour).at(height_m)

    def bottom_pressure_pa(self, nozzle_m: float) -> float:
        """Gauge pressure at a nozzle: the liquid above it and the vapour's pressure at its surface, less the column of
        air beside it, which presses on the back of a gauge transmitter more than on the surface."""
        surface, water = max(self._level_m, nozzle_m), max(self._water_m, nozzle_m)
        product_column = self.density_kg_m3 * max(0.0, surface - water)
        water_column = WATER_DENSITY * (min(water, surface) - nozzle_m)
        air_column = AIR_DENSITY * (surface - nozzle_m)
        return self.vapour_pressure_pa + GRAVITY * (product_column + water_column - air_column)

    # Setting a state by hand

    def set_level(self, level_m: float) -> None:
        """Put the surface at a level; water and temperatures stay. Raises ValueError outside the tank."""
        self._check_level(level_m)
        self._level_m = level_m
        self._liquid_c = self._liquid.mean(level_m, self.shape.volume)
        self._take_mass_from_level()

    def set_water(self, water_m: float) -> None:
        """Put the free-water surface at a level, below the same liquid surface. Raises ValueError above it."""
        if not 0.0 <= water_m <= self._level_m:
            raise ValueError(f"water {water_m} m does not lie between 0 and the level, {self._level_m} m")
        self._water_m = water_m
        self._water_m3 = self.shape.volume(water_m) if water_m > 0 else 0.0
        self._take_mass_from_level()

    def set_temperatures(self, temperatures_c: list[float] | tuple[float, ...], liquid_c: float | None = None) -> None:
        """Give each element its temperature, lowest first; the level stays.

        `liquid_c` serves where no element is wet. Raises ValueError for another number of temperatures than elements.
        """
        self._set_profiles(tuple(temperatures_c), liquid_c if liquid_c is not None else self._liquid_c, None)
        self._take_mass_from_level()

    def set_vapour_pressure(self, pressure_pa: float) -> None:
        """Put the gauge pressure above the liquid at a value for the present temperature."""
        self._vapour_pressure_pa = pressure_pa
        self._vapour_reference_c = self._liquid_c
        self._tell()

    def set_flow(self, flow_m3_h: float, temperature_c: float | None = None) -> None:
        """Pump in (positive) or out (negative) until told otherwise, incoming at `temperature_c` or the tank's."""
        self._flow_m3_s = flow_m3_h / 3600.0
        self._flow_c = temperature_c

    def warm(self, rise_k: float) -> None:
        """Warm the closed tank by a difference: mass stays, volume and level follow."""
        self._warm(rise_k)
        self._settle()

    # The course of time

    def advance(
        self,
        time_s: float,
        duration_s: float,
        moved: tuple[tuple[float, float | None], ...] = (),
        water_m3: float = 0.0,
    ) -> None:
        """Let time pass from `time_s`.

        `moved` holds volumes of product (m3, in positive) with their temperatures, `water_m3` the change of free water.
        """
        if self._flow_m3_s:
            moved = (*moved, (self._flow_m3_s * duration_s, self._flow_c))
        inflow_m3_s = sum(volume_m3 for volume_m3, _ in moved) / duration_s
        changed = inflow_m3_s != self.inflow_m3_s
        self.inflow_m3_s = inflow_m3_s
        for volume_m3, temperature_c in moved:
            changed |= self._move(volume_m3, temperature_c)
        if water_m3:
            self._water_m3 = max(0.0, self._water_m3 + water_m3)
            self._water_m = self._level_of(self._water_m3) if self._water_m3 > 0 else 0.0
            changed = True
        if self.heating_w and self._mass_kg > 0:
            self._warm(self.heating_w * duration_s / (self._mass_kg * self.heat_capacity_j_kg_k))
            changed = True
        if self.ambient is not None:
            outside = self.ambient.at(time_s + duration_s / 2)
            self.outside_c = self.ambient.at(time_s + duration_s)
            self._mix(-math.expm1(-duration_s / self.ambient.liquid_time_constant_s), outside)
            self._vapour.shift(-math.expm1(-duration_s / self.ambient.vapour_time_constant_s), outside)
            changed = True
        if changed:
            self._settle()

    def _move(self, volume_m3: float, temperature_c: float | None) -> bool:
        if volume_m3 < 0:
            gone = min(self._mass_kg, -volume_m3 * self.density_kg_m3)
            self._mass_kg -= gone
            return gone > 0
        if volume_m3 == 0:
            return False
        incoming_c = self._liquid_c if temperature_c is None else temperature_c
        incoming_kg = volume_m3 * self.density.at(incoming_c)
        self._mix(incoming_kg / (self._mass_kg + incoming_kg), incoming_c)
        self._mass_kg += incoming_kg
        return True

    def _mix(self, share: float, towards_c: float) -> None:
        self._liquid.shift(share, towards_c)
        self._liquid_c += (towards_c - self._liquid_c) * share

    def _warm(self, rise_k: float) -> None:
        self._liquid.warm(rise_k)
        self._liquid_c += rise_k

    def _settle(self) -> None:
        """Find the level that holds the mass at its mean temperature; what does not fit spills."""
        density = self.density_kg_m3
        top = self.shape.height_m
        room_kg = (self.shape.volume(top) - self._water_m3 - self._displaced(top)) * density
        if self._mass_kg > room_kg:
            self.spilled_kg += self._mass_kg - room_kg
            self._mass_kg = room_kg
        self._level_m = self._level_of(self._mass_kg / density + self._water_m3)
        self._liquid.forget_above(self._level_m)
        self._vapour.forget_below(self._level_m)
        # The mean is what is conserved. The profile keeps its form and moves as a whole, because a risen or fallen
        # surface has changed how much of the liquid each of its points stands for.
        self._liquid.warm(self._liquid_c - self._liquid.mean(self._level_m, self.shape.volume))
        self._tell()

    def _level_of(self, contents_m3: float) -> float:
        if isinstance(self.shape, UprightCylinder) and self.roof is None:
            level = (contents_m3 - self.shape.heel_m3) / self.shape.area_m2
            return min(max(level, 0.0), self.shape.height_m)
        return solve_increasing(
            lambda level: self.shape.volume(level) - self._displaced(level), contents_m3, 0.0, self.shape.height_m
        )

    def _displaced(self, level_m: float) -> float:
        return 0.0 if self.roof is None else self.roof.displaced(level_m, self.density_kg_m3)

    def _take_mass_from_level(self) -> None:
        volume = self.shape.volume(self._level_m) - self._displaced(self._level_m) - self._water_m3
        self._mass_kg = max(0.0, volume) * self.density_kg_m3
        self._tell()

    def _set_profiles(self, temperatures_c: tuple[float, ...], liquid_c: float | None, vapour_c: float | None) -> None:
        if len(temperatures_c) != len(self.elements_m):
            raise ValueError(
                f"{self.tag} has {len(self.elements_m)} temperature elements, so it takes as many temperatures, "
                f"not {len(temperatures_c)}"
            )
        points = list(zip(self.elements_m, temperatures_c, strict=True))
        wet = [point for point in points if point[0] <= self._level_m]
        dry = points[len(wet) :]
        if not wet and liquid_c is None:
            raise ValueError(f"no element of {self.tag} is below the level: its liquid temperature has to be given")
        self._liquid = Profile(wet or [(0.0, liquid_c if liquid_c is not None else 0.0)])
        top = vapour_c if vapour_c is not None else self._liquid.temperatures_c[-1]
        self._vapour = Profile(dry or [(self.shape.height_m, top)])
        self._liquid_c = self._liquid.mean(self._level_m, self.shape.volume)

    def _tell(self) -> None:
        for watcher in self.watchers:
            watcher()

    def _check_level(self, level_m: float) -> None:
        if not 0.0 <= level_m <= self.shape.height_m:
            raise ValueError(f"level {level_m} m of {self.tag} does not lie between 0 and {self.shape.height_m} m")
