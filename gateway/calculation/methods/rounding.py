"""The rounding rule of a standard: inputs and factors rounded as it prescribes. The default elsewhere is none."""

import math
from dataclasses import dataclass

from gateway.calculation.contracts import Corrected, CorrectionMethod, PreparedCorrection
from gateway.calculation.methods.lpg import WATER_60F, LpgCorrection
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980

__all__ = [
    "API_2004",
    "API_2004_60F",
    "TABLES_1980",
    "TABLES_1980_60F",
    "TABLES_1980_RELATIVE",
    "TP_27",
    "TP_27_60F",
    "Discrimination",
    "RoundedCorrection",
    "by_its_standard",
]

_PASCALS_PER_PSI = 6894.757293168361


def _nearest(value: float, step: float) -> float:
    """`value` to the nearest multiple of `step`, halves away from zero; what is no finite number is left for the method
    to refuse."""
    if step <= 0.0 or not math.isfinite(value):
        return value
    # The small addition lets a half that is one in decimals (20.075 degC in steps of 0.05) be one in binary.
    return math.copysign(math.floor(abs(value) / step + 0.5 + 1e-9) * step, value)


@dataclass(frozen=True, slots=True)
class Discrimination:
    """Steps to which inputs are rounded (0: not at all) and decimals of the factors."""

    name: str
    density_step: float
    """kg/m3."""
    temperature_step: float
    """In degC, or in degF where `fahrenheit`."""
    pressure_step_pa: float
    factor_decimals: int
    density_words: str
    """The step of the density in the standard's own measure, for people."""
    fahrenheit: bool = False

    @property
    def steps(self) -> str:
        """What is rounded to what, for the sheet."""
        unit, pressure = ("degF", "1 psi") if self.fahrenheit else ("degC", f"{self.pressure_step_pa / 1000.0:g} kPa")
        parts = [self.density_words, f"temperature to {self.temperature_step:g} {unit}"]
        if self.pressure_step_pa > 0.0:
            parts.append(f"pressure to {pressure}")
        return ", ".join([*parts, f"factors to {self.factor_decimals} decimals"])

    def temperature_c(self, temperature_c: float) -> float:
        if not self.fahrenheit:
            return _nearest(temperature_c, self.temperature_step)
        return (_nearest(1.8 * temperature_c + 32.0, self.temperature_step) - 32.0) / 1.8


# API MPMS 11.1 (2004): 0.1 kg/m3, 0.1 degF or 0.05 degC, 1 psi or 5 kPa, factors to 5 decimals (from memory).
_KG_M3 = "density to 0.1 kg/m3"
API_2004_60F = Discrimination("API MPMS 11.1 (2004)", 0.1, 0.1, _PASCALS_PER_PSI, 5, _KG_M3, fahrenheit=True)
API_2004 = Discrimination("API MPMS 11.1 (2004)", 0.1, 0.05, 5000.0, 5, _KG_M3)
# The 1980 tables round the density to their own steps by themselves; printed factors have 4 decimals.
TABLES_1980_60F = Discrimination(
    "ASTM D1250-80", 0.0, 0.1, _PASCALS_PER_PSI, 4, "table entered to 0.1 degAPI", fahrenheit=True
)
TABLES_1980_RELATIVE = Discrimination(
    "ASTM D1250-80", 0.0, 0.1, _PASCALS_PER_PSI, 4, "table entered to relative density 0.0005", fahrenheit=True
)
TABLES_1980 = Discrimination("ASTM D1250-80", 0.0, 0.05, 5000.0, 4, "table entered to 0.5 kg/m3")
# GPA TP-27 (2007), factors to 5 decimals: Tables 23E and 24E by relative density 60/60 degF to 0.0001 and 0.1 degF, the
# others by 0.1 kg/m3 and 0.05 degC (from memory).
TP_27_60F = Discrimination("GPA TP-27", 0.0001 * WATER_60F, 0.1, 0.0, 5, "relative density to 0.0001", fahrenheit=True)
TP_27 = Discrimination("GPA TP-27", 0.1, 0.05, 0.0, 5, _KG_M3)


@dataclass(frozen=True, slots=True)
class RoundedCorrection:
    """Another method with inputs and factors rounded by a `Discrimination`.

    The density is rounded where it enters, so that the mass follows from the rounded one; observed density is the
    rounded reference density times the rounded factors. A method without factors keeps its density as it is.
    """

    method: CorrectionMethod
    rule: Discrimination

    @property
    def clause(self) -> str:
        return f"{self.method.clause}, rounded as in {self.rule.name}: {self.rule.steps}"

    @property
    def reference_temperature_c(self) -> float | None:
        return self.method.reference_temperature_c

    @property
    def needs_density(self) -> bool:
        return self.method.needs_density

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.method.uses_density_for_ctl

    def from_reference_density(self, density: float | None) -> "PreparedRounded":
        """Fix the density at reference, kg/m3, rounded to its step. Raises LimitError."""
        rounded = None if density is None else _nearest(density, self.rule.density_step)
        return PreparedRounded(self.method.from_reference_density(rounded), self.rule)

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedRounded":
        """Solve for the reference density from rounded inputs, and round it. Raises LimitError."""
        solved = self.method.from_observed_density(
            _nearest(density, self.rule.density_step),
            self.rule.temperature_c(temperature_c),
            _nearest(gauge_pressure_pa, self.rule.pressure_step_pa),
        )
        return self.from_reference_density(solved.reference_density)


@dataclass(frozen=True, slots=True)
class PreparedRounded:
    """A prepared correction whose inputs and factors are rounded."""

    prepared: PreparedCorrection
    rule: Discrimination

    @property
    def reference_density(self) -> float | None:
        return self.prepared.reference_density

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to the rounded temperature (degC) and pressure (Pa); factors rounded. Raises LimitError."""
        rule = self.rule
        corrected = self.prepared.at(
            rule.temperature_c(temperature_c), _nearest(gauge_pressure_pa, rule.pressure_step_pa)
        )
        if corrected.ctl is None or corrected.cpl is None:
            return corrected
        step = 10.0**-rule.factor_decimals
        ctl = round(_nearest(corrected.ctl, step), rule.factor_decimals)
        cpl = round(_nearest(corrected.cpl, step), rule.factor_decimals)
        density = self.prepared.reference_density
        return Corrected(ctl, cpl, None if density is None else density * ctl * cpl, corrected.doubt)


def _at_60f(method: PetroleumCorrection | LpgCorrection) -> bool:
    return abs(method.reference_temperature_c - REFERENCE_60F_C) < 1e-6


def by_its_standard(method: CorrectionMethod) -> CorrectionMethod:
    """`method` with the rounding its own standard prescribes; the method itself where its source prescribes none."""
    if isinstance(method, PetroleumCorrection):
        return RoundedCorrection(method, API_2004_60F if _at_60f(method) else API_2004)
    if isinstance(method, Petroleum1980Correction):
        of_table = {Table1980.API_60F: TABLES_1980_60F, Table1980.RELATIVE_60F: TABLES_1980_RELATIVE}
        return RoundedCorrection(method, of_table.get(method.table, TABLES_1980))
    if isinstance(method, LpgCorrection):
        return RoundedCorrection(method, TP_27_60F if _at_60f(method) else TP_27)
    return method
