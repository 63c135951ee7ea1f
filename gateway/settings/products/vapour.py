"""What the pressure above a product must be: by its composition, or by points of its vapour pressure curve."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from gateway.calculation.plan import VapourPressurePlan
from gateway.calculation.vapour.mixture import COMPONENTS, LIQUID_DENSITY_60F, Component
from gateway.calculation.vapour.pressure_curve import COMPOSITION_SUM_WITHIN, VapourPressureCurve, curve_of_composition
from gateway.errors import LimitError
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.fields import (
    AbsolutePressure,
    GaugePressure,
    Name,
    Ratio,
    Section,
    Temperature,
    Text,
    refuse,
)
from gateway.settings.reading.validation import suggestion

__all__ = ["VapourPressureModel", "vapour_pressure_plan"]

_BAND = (0.01, 0.5)
_LEAST_BAND_PA = (1e3, 500e3)
_DEFAULT_BAND, _DEFAULT_LEAST_BAND_PA = 0.15, 50e3


class Basis(StrEnum):
    """What the fractions of a composition are parts of."""

    MOLE = "mole"
    MASS = "mass"
    VOLUME = "volume"
    """Of the liquids at 60 degF, as chromatographs of liquefied gas often report it."""


class VapourPressurePoint(Section):
    temperature: Temperature
    pressure: Annotated[AbsolutePressure, Field(description="Absolute")]


class VapourPressureModel(Section):
    """What a measured vapour pressure is compared with; beyond the band what rests on it is Uncertain."""

    composition: Annotated[
        dict[Name, Ratio] | None,
        Field(description=f"Of the liquid; known are {', '.join(COMPONENTS)}"),
    ] = None
    basis: Annotated[Basis | None, Field(description="What the composition's fractions are parts of")] = None
    points: tuple[VapourPressurePoint, ...] | None = None
    source: Annotated[Text | None, Field(description="Where points come from: supplier, handbook")] = None
    band: Annotated[Ratio, Field(description="Of the absolute pressure; covers the scatter of a composition")] = (
        _DEFAULT_BAND
    )
    least_band: Annotated[GaugePressure, Field(description="The band is never narrower than this")] = (
        _DEFAULT_LEAST_BAND_PA
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> "VapourPressureModel":
        if (self.composition is None) == (self.points is None):
            raise refuse("give one of composition and points")
        if self.composition is not None and self.basis is None:
            raise refuse("composition needs basis: mole, mass or volume (of the liquid)")
        if self.composition is None and self.basis is not None:
            raise refuse("basis is for a composition; leave it out")
        if self.points is not None and self.source is None:
            raise refuse("points need source: where they come from")
        return self


def vapour_pressure_plan(
    model: VapourPressureModel, document: Document, path: KeyPath, mistakes: Mistakes
) -> VapourPressurePlan | None:
    """The plan; None where a mistake was found. `path` is that of the block."""
    before = mistakes.count
    for key, value, (lowest, highest), words in (
        ("band", model.band, _BAND, "1 % to 50 %"),
        ("least_band", model.least_band, _LEAST_BAND_PA, "1 kPa to 500 kPa"),
    ):
        if not lowest <= value <= highest:
            here: KeyPath = (*path, key)
            mistakes.add(here, f"{document.text(here)} is no band for a vapour pressure; give {words}")
    curve = None
    try:
        curve = _by_points(model) if model.composition is None else _by_composition(model, document, path, mistakes)
    except LimitError as error:
        mistakes.add((*path, "points" if model.composition is None else "composition"), str(error))
    if curve is None or mistakes.count != before:
        return None
    return VapourPressurePlan(curve, model.band, model.least_band)


def _by_points(model: VapourPressureModel) -> VapourPressureCurve:
    points = model.points or ()
    temperatures = tuple(point.temperature for point in points)
    return VapourPressureCurve(temperatures, tuple(point.pressure for point in points), model.source or "")


def _by_composition(
    model: VapourPressureModel, document: Document, path: KeyPath, mistakes: Mistakes
) -> VapourPressureCurve | None:
    components: list[Component] = []
    fractions: list[float] = []
    for name, share in (model.composition or {}).items():
        if name not in COMPONENTS:
            mistakes.add((*path, "composition", name), f"is not known; {suggestion(name, COMPONENTS)}; or give points")
            return None
        if not 0.0 <= share <= 1.0:
            here: KeyPath = (*path, "composition", name)
            mistakes.add(here, f"{document.text(here)} is no part of a liquid; give 0 % to 100 %")
            return None
        components.append(COMPONENTS[name])
        fractions.append(share)
    if abs(sum(fractions) - 1.0) > COMPOSITION_SUM_WITHIN + 1e-9:
        text = f"sums to {sum(fractions) * 100.0:.4g} %; give all that the liquid holds, 100 % within 0.5 %"
        mistakes.add((*path, "composition"), text)
        return None
    if model.basis is Basis.VOLUME:
        fractions = [
            share * LIQUID_DENSITY_60F[name] for share, name in zip(fractions, model.composition or (), strict=True)
        ]
    if model.basis is not Basis.MOLE:
        moles = [share / each.molar_mass for share, each in zip(fractions, components, strict=True)]
        fractions = [share / sum(moles) for share in moles]
    return curve_of_composition(components, fractions)
