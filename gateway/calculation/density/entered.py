"""A density as a person enters it, by whatever door: where it holds, what read it, and what it is at reference.

Site file, `dip` and `recalculate` all come through here, so that what one of them refuses all of them refuse.
"""

from typing import NamedTuple

from gateway.calculation.density.window import outside_window
from gateway.calculation.methods.hydrometer import hydrometer_correction
from gateway.calculation.plan import ProductPlan
from gateway.errors import QuantityError
from gateway.records import Reason
from gateway.sentences import sentence
from gateway.units.quantity import Quantity

__all__ = ["EnteredDensity", "KnownDensity", "as_observed", "at_reference"]

_60F_C = (60.0 - 32.0) / 1.8
_SAME_C = 1e-6
_SAID_TWICE_C = 0.05
"""60 degF said as 15.6 degC is said twice, not otherwise."""


class EnteredDensity(NamedTuple):
    quantity: Quantity
    """In kg/m3, with the unit it was written in: degAPI and SG say by themselves that it holds at 60 degF."""
    at_c: float | None = None
    """degC that it was observed at; None: not said, so where its unit says, else at the reference temperature."""
    by_hydrometer: bool = False
    """A glass hydrometer's reading, not yet corrected for its glass. An oscillating tube's density never is one."""
    made_for_c: float | None = None
    """degC that the hydrometer is made for; None: 60 degF by degAPI and SG, 15 degC by any other unit."""


class KnownDensity(NamedTuple):
    value: float
    """kg/m3 at the product's reference temperature."""
    doubt: Reason | None
    """Why the method that brought it there does not vouch for it."""
    how: str = ""
    """How it came there from what was read, in words; empty where it was entered at reference temperature."""


def as_observed(given: EnteredDensity) -> tuple[float, float | None]:
    """(kg/m3, degC where it holds; None for the reference temperature), corrected for the glass of a hydrometer.

    Raises QuantityError where what is said contradicts itself, LimitError beyond the glass correction.
    """
    density, unit, at_60f = given.quantity
    if given.by_hydrometer:
        if given.at_c is None:
            raise QuantityError("a hydrometer's reading needs the temperature that it was read at, such as 24.5 degC")
        made_for_c = given.made_for_c
        if made_for_c is None:
            made_for_c = _60F_C if at_60f else 15.0
        elif at_60f and abs(made_for_c - _60F_C) > _SAID_TWICE_C:
            raise QuantityError(f"{unit} is the scale of a hydrometer made for 60 degF; leave the other one out")
        return density * hydrometer_correction(made_for_c, given.at_c), given.at_c
    if given.made_for_c is not None:
        raise QuantityError("only a hydrometer is made for a temperature; say that one read it, or leave that out")
    if not at_60f:
        return density, given.at_c
    if given.at_c is not None and abs(given.at_c - _60F_C) > _SAID_TWICE_C:
        raise QuantityError(
            f"{unit} says the density at 60 degF, and it is given at {given.at_c:.4g} degC; give kg/m3, or say that a "
            "hydrometer read it"
        )
    return density, _60F_C


def at_reference(product: ProductPlan, given: EnteredDensity) -> KnownDensity:
    """The density in kg/m3 at the reference temperature of `product`, whose method takes a density from outside.

    Raises QuantityError where what is said contradicts itself or cannot be brought there, LimitError outside the
    method's range or the product's density window.
    """
    method = product.method
    density, at_c = as_observed(given)
    reference_c = method.reference_temperature_c
    doubt: Reason | None = None
    how = ""
    if at_c is None or (reference_c is not None and abs(at_c - reference_c) < _SAME_C):
        method.from_reference_density(density)
    else:
        prepared = method.from_observed_density(density, at_c, 0.0)
        if prepared.reference_density is None:
            raise QuantityError(
                "cannot be kept: the product has no reference_temperature; give it one, or the density with at: tank"
            )
        how = f"{_as_read(given, density, at_c)}, brought to reference temperature by {method.clause}"
        density, doubt = prepared.reference_density, prepared.at(at_c, 0.0).doubt
    window = product.density_window
    if window is not None and not window.lowest_kg_m3 <= density <= window.highest_kg_m3:
        refused = outside_window(window, product, density)
        raise QuantityError(sentence("{why}; see to the value, or to the product in the tank", [("why", refused)]))
    return KnownDensity(density, doubt, how)


def _as_read(given: EnteredDensity, density: float, at_c: float) -> str:
    """What was read, and what it is without the glass of a hydrometer: `density` at `at_c`."""
    if not given.by_hydrometer:
        return f"{density:.2f} kg/m3 at {at_c:.4g} degC"
    glass = f"{density:.2f} kg/m3 without the expansion of its glass (API 2540)"
    return f"{given.quantity.value:.2f} kg/m3 read at {at_c:.4g} degC by a glass hydrometer, {glass}"
