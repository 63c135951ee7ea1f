"""Which density the correction rests on, and what the method makes of it at a temperature and pressure."""

from functools import lru_cache
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contracts import Corrected, CorrectionMethod, PreparedCorrection
from gateway.calculation.density.window import outside_window
from gateway.calculation.limits import limit_reason
from gateway.calculation.plan import DensityWindow, ProductPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput, because
from gateway.sources import DensitySource

__all__ = [
    "REFUSED_DENSITY",
    "CorrectionFigures",
    "DensityBasis",
    "State",
    "correct",
    "correction_figures",
    "density_basis",
    "doubted",
    "observed_basis",
    "of_another_product",
    "standing_doubts",
]

_BAD = Quality.BAD
_BY_REFERENCE = DensitySource.REFERENCE
_GOOD = Quality.GOOD

REFUSED_DENSITY = Reason(ReasonCode.METHOD_LIMIT, "the method refuses the density")
"""Where it does not say why."""
_NO_DENSITY = Reason(ReasonCode.METHOD_LIMIT, "no density")
_DOUBTS = frozenset({ReasonCode.METHOD_DOUBTFUL, ReasonCode.DENSITY_OUTSIDE_WINDOW})
# A doubt ends this far inside the border at which it began, so that ripple at a border is no change of quality.
_INSIDE_C = 0.5
_INSIDE_KG_M3 = 0.5
_SAME_KG_M3 = 1e-6
"""A density that a method solves for a strength and comes back to is the one that was given."""


class DensityBasis(NamedTuple):
    """The density in use. `given` is Bad when a needed density is missing; without a need for one, not applicable."""

    product: ProductPlan
    given: Figure
    prepared: PreparedCorrection | None
    """Fixed by a reference density; None when the density is observed, missing or refused."""
    observed: float | None
    """kg/m3 at tank temperature, where that is what was given."""
    refusal: Reason | None
    """Why the method refused the density."""
    standing: frozenset[ReasonCode]
    """The doubts of the last sheet, from `standing_doubts`."""
    source: DensitySource

    @property
    def method(self) -> CorrectionMethod:
        return self.product.method


class State(NamedTuple):
    """The method at one temperature and pressure."""

    prepared: PreparedCorrection
    corrected: Corrected
    doubts: tuple[Reason, ...]
    """Of the method, or of the density: what is made from it is Uncertain."""


class CorrectionFigures(NamedTuple):
    reference_density: Figure
    observed_density: Figure
    ctl: Figure
    cpl: Figure


@lru_cache(maxsize=4096)
def _prepared(method: CorrectionMethod, reference_density: float | None) -> PreparedCorrection:
    # Methods are frozen and stateless, so constants that depend on density alone are worked out once per density.
    return method.from_reference_density(reference_density)


_NO_DOUBTS: frozenset[ReasonCode] = frozenset()


def standing_doubts(observed_density: Figure) -> frozenset[ReasonCode]:
    """The doubts about method and density that a sheet with that figure has."""
    if observed_density.quality is _GOOD:
        return _NO_DOUBTS
    return frozenset([reason.code for reason in observed_density.reasons]) & _DOUBTS


def density_basis(
    product: ProductPlan, tank_input: TankInput, standing: frozenset[ReasonCode] = _NO_DOUBTS
) -> DensityBasis:
    """The density in force for `tank_input`, prepared for the product's method."""
    method = product.method
    given = tank_input.reference_density
    if not method.needs_density:
        prepared = _prepared(method, None)
        value = prepared.reference_density
        known = _by_temperature(product.name) if value is None else figure.good(value, 0.0)
        return DensityBasis(product, known, prepared, None, None, standing, DensitySource.METHOD)
    if given is None and tank_input.observed_density is not None:
        observed = figure.from_input(tank_input.observed_density)
        return observed_basis(product, observed, DensitySource.OBSERVED, standing)
    if given is None or given.value is None or given.quality == _BAD:
        if given is None:
            unfitted = because(ReasonCode.NOT_FITTED, "no density given for {product}", product=product.name)
            shown = figure.bad(unfitted)
        else:
            shown = figure.from_input(given)
        if method.uses_density_for_ctl:
            return DensityBasis(product, shown, None, None, _NO_DENSITY, standing, DensitySource.NONE)
        return DensityBasis(product, shown, _prepared(method, None), None, None, standing, DensitySource.NONE)
    shown = figure.from_input(given)
    try:
        prepared = _prepared(method, given.value)
    except LimitError as error:
        return DensityBasis(product, shown, None, None, limit_reason(error), standing, _BY_REFERENCE)
    taken = prepared.reference_density
    if taken is not None and abs(taken - given.value) > _SAME_KG_M3:
        # Rounded as its standard has it: the mass follows from the density that the factors belong to.
        shown = shown._replace(value=taken)
    return DensityBasis(product, shown, prepared, None, None, standing, _BY_REFERENCE)


def observed_basis(
    product: ProductPlan, observed: Figure, source: DensitySource, standing: frozenset[ReasonCode] = _NO_DOUBTS
) -> DensityBasis:
    """A basis from a density at tank temperature, kg/m3. A method that takes no density goes on without it."""
    method = product.method
    if not method.needs_density:
        none = figure.not_applicable("density against temperature")
        return DensityBasis(product, none, _prepared(method, None), None, None, standing, DensitySource.METHOD)
    return DensityBasis(product, observed, None, observed.value, None, standing, source)


def correct(basis: DensityBasis, temperature_c: float, pressure_pa: float) -> State:
    """The method at one temperature (degC) and pressure (Pa gauge). Raises LimitError outside its range."""
    prepared = basis.prepared
    if prepared is None:
        if basis.observed is None:
            raise ValueError("correct() needs a density basis that is not refused")
        prepared = basis.method.from_observed_density(basis.observed, temperature_c, pressure_pa)
    corrected = prepared.at(temperature_c, pressure_pa)
    doubt = corrected.doubt
    if doubt is None and basis.standing and ReasonCode.METHOD_DOUBTFUL in basis.standing:
        doubt = _doubt_nearby(prepared, temperature_c, pressure_pa)
    doubts: tuple[Reason, ...] = () if doubt is None else (doubt,)
    window = basis.product.density_window
    if window is not None:
        doubts += _outside(basis, window, prepared.reference_density)
    return State(prepared, corrected, doubts)


def _doubt_nearby(prepared: PreparedCorrection, temperature_c: float, pressure_pa: float) -> Reason | None:
    for nearby_c in (temperature_c - _INSIDE_C, temperature_c + _INSIDE_C):
        try:
            doubt = prepared.at(nearby_c, pressure_pa).doubt
        except LimitError:
            continue
        if doubt is not None:
            return doubt
    return None


def _outside(basis: DensityBasis, window: DensityWindow, reference_density: float | None) -> tuple[Reason, ...]:
    if reference_density is None:
        return ()
    inside = _INSIDE_KG_M3 if ReasonCode.DENSITY_OUTSIDE_WINDOW in basis.standing else 0.0
    if window.lowest_kg_m3 + inside <= reference_density <= window.highest_kg_m3 - inside:
        return ()
    reason = because(
        ReasonCode.DENSITY_OUTSIDE_WINDOW,
        "{why}: see whether the tank still holds {product}",
        why=outside_window(window, basis.product, reference_density),
        product=basis.product.name,
    )
    return (reason,)


def doubted(made: Figure, doubts: tuple[Reason, ...]) -> Figure:
    """`made`, Uncertain at best where there is a doubt."""
    if made.value is None:
        return made
    for doubt in doubts:
        made = figure.lower(made, doubt)
    return made


def correction_figures(basis: DensityBasis, temperature: Figure, pressure: Figure | None) -> CorrectionFigures:
    """Densities, CTL and CPL. `pressure` None: atmospheric, CPL = 1."""
    given = basis.given
    density = figure.undated(given)
    by_state = (temperature,) if pressure is None else (temperature, pressure)
    by_density = (*by_state, density)
    if temperature.value is None or (pressure is not None and pressure.value is None):
        return _without(basis, figure.derive(None, by_state), pressure)
    if basis.prepared is None and basis.observed is None:
        refused = figure.bad(basis.refusal or REFUSED_DENSITY)
        return _without(basis, figure.derive(None, by_density) if given.quality is _BAD else refused, pressure)
    pressure_pa = 0.0 if pressure is None or pressure.value is None else pressure.value
    try:
        prepared, corrected, doubts = correct(basis, temperature.value, pressure_pa)
    except LimitError as error:
        return _without(basis, figure.bad(limit_reason(error), temperature.age_s), pressure)

    reference = given
    if basis.observed is not None:
        value = prepared.reference_density
        reference = _NO_REFERENCE_DENSITY if value is None else figure.derive(value, by_density)
    needs_no_density = given.quality is _GOOD and given.value is None
    observed = figure.derive(corrected.observed_density, by_state if needs_no_density else by_density)
    if corrected.ctl is None or corrected.cpl is None:
        return CorrectionFigures(reference, doubted(observed, doubts), _NO_REFERENCE_VOLUME, _NO_REFERENCE_VOLUME)
    ctl_inputs = by_density if basis.method.uses_density_for_ctl else by_state
    ctl = figure.derive(corrected.ctl, ctl_inputs)
    cpl = figure.derive(corrected.cpl, ctl_inputs) if pressure is not None else _ATMOSPHERIC
    if doubts:
        # An entered density stands, however far the method is carried from it, but not where it is another product's.
        own = [doubt for doubt in doubts if basis.observed is not None or doubt.code is not ReasonCode.METHOD_DOUBTFUL]
        reference = doubted(reference, tuple(own))
        observed, ctl = doubted(observed, doubts), doubted(ctl, doubts)
    return CorrectionFigures(reference, observed, ctl, cpl)


def of_another_product(correction: CorrectionFigures, reason: Reason) -> CorrectionFigures:
    """The figures where the contents may be of another density than they are taken for, or another product: then CTL is
    wrong too, whatever the method takes it from."""
    reference, observed, ctl, cpl = (
        each if each.value is None or each is _ATMOSPHERIC else figure.lower(each, reason) for each in correction
    )
    return CorrectionFigures(reference, observed, ctl, cpl)


def _by_temperature(product: str) -> Figure:
    return figure.not_applicable("{product} has no reference density: density against temperature", product=product)


_NO_REFERENCE_DENSITY = figure.not_applicable("the product has no reference density")
_NO_REFERENCE_VOLUME = figure.not_applicable("the product has no reference volume")
_ATMOSPHERIC = figure.good(1.0, 0.0)


def _without(basis: DensityBasis, lost: Figure, pressure: Figure | None) -> CorrectionFigures:
    """The figures where the correction could not be made; what does not depend on it stays as it is."""
    reference = lost if basis.observed is not None else basis.given
    if basis.method.reference_temperature_c is None:
        return CorrectionFigures(reference, lost, _NO_REFERENCE_VOLUME, _NO_REFERENCE_VOLUME)
    return CorrectionFigures(reference, lost, lost, _ATMOSPHERIC if pressure is None else lost)
