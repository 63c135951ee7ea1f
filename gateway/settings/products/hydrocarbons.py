"""Products of petroleum and natural gas: API MPMS 11.1 in both editions, and LPG by GPA TP-27."""

from typing import Annotated, Literal

from pydantic import Field, WithJsonSchema, model_validator

from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.lpg import LpgCorrection
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.plan import AirBuoyancy
from gateway.settings.products.base import CONVENTIONAL, ProductModel
from gateway.settings.reading.fields import ExpansionRate, Temperature, YesNo, refuse

__all__ = ["LpgProduct", "Petroleum1980Product", "PetroleumProduct"]

_PER_F_IN_PER_C = 1.8


class PetroleumProduct(ProductModel):
    """API MPMS 11.1 (2004): CTL and CPL from the density and the commodity group."""

    method: Literal["api_11_1_2004"]
    group: PetroleumGroup
    reference_temperature: Temperature
    expansion_at_60f: Annotated[ExpansionRate | None, Field(description="For the group `special` only")] = None

    @model_validator(mode="after")
    def _coefficient_for_special(self) -> "PetroleumProduct":
        if self.group is PetroleumGroup.SPECIAL and self.expansion_at_60f is None:
            raise refuse("the group special needs expansion_at_60f, for example 0.0004586 /degF")
        if self.group is not PetroleumGroup.SPECIAL and self.expansion_at_60f is not None:
            raise refuse("expansion_at_60f is for the group special only; leave it out")
        return self

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        per_f = None if self.expansion_at_60f is None else self.expansion_at_60f / _PER_F_IN_PER_C
        return PetroleumCorrection(self.group, self.reference_temperature, per_f)


_BASES = {Table1980.API_60F: "60 degF", Table1980.RELATIVE_60F: "60 degF", Table1980.DENSITY_15C: "15 degC"}
_BASES[Table1980.DENSITY_20C] = "20 degC"


class Petroleum1980Product(ProductModel):
    """The tables of 1980 (ASTM D1250-80, API 2540), where a contract still names them.

    The reference temperature chooses the table; at 60 degF there are two, 6 by degrees API and 24 by relative density.
    """

    method: Literal["api_11_1_1980"]
    group: PetroleumGroup
    reference_temperature: Temperature
    table: Annotated[
        Table1980 | None,
        WithJsonSchema({"enum": ["6", "24", "54", "60", 6, 24, 54, 60]}),
        Field(description="6 or 24 at 60 degF; 54 at 15 degC; 60 at 20 degC"),
    ] = None
    expansion: Annotated[
        ExpansionRate | None, Field(description="For `special` only: at 60 degF, or at 15 degC in tables 54 and 60")
    ] = None
    cold_extension: Annotated[YesNo, Field(description="Down to -40 degC, as Measurement Canada prints them")] = False

    @model_validator(mode="after")
    def _one_table(self) -> "Petroleum1980Product":
        if self.group is PetroleumGroup.SPECIAL and self.expansion is None:
            raise refuse("the group special needs expansion, for example 0.00083 /degC")
        if self.group is not PetroleumGroup.SPECIAL and self.expansion is not None:
            raise refuse("expansion is for the group special only; leave it out")
        if "reference_temperature" not in self.model_fields_set:
            return self
        fitting = self._fitting
        if not fitting:
            text = f"reference_temperature {self.reference_temperature:.4g} degC has no table of 1980"
            raise refuse(f"{text}; give 60 degF, 15 degC or 20 degC")
        if self.table is None and len(fitting) > 1:
            raise refuse("at 60 degF needs table: 6 (by degrees API) or 24 (by relative density)")
        if self.table is not None and self.table not in fitting:
            raise refuse(f"table {self.table.value} holds for {_BASES[self.table]}; give that reference_temperature")
        return self

    @property
    def _fitting(self) -> tuple[Table1980, ...]:
        for temperature_c, tables in (
            (REFERENCE_60F_C, (Table1980.API_60F, Table1980.RELATIVE_60F)),
            (15.0, (Table1980.DENSITY_15C,)),
            (20.0, (Table1980.DENSITY_20C,)),
        ):
            if abs(self.reference_temperature - temperature_c) < 1e-6:
                return tables
        return ()

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        table = self.table or self._fitting[0]
        return Petroleum1980Correction(self.group, table, self.expansion, self.cold_extension)


class LpgProduct(ProductModel):
    """LPG and natural gas liquids by GPA TP-27 (API MPMS 11.2.4), at their own vapour pressure."""

    method: Literal["lpg_tp27"]
    reference_temperature: Temperature

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        return LpgCorrection(self.reference_temperature)
