"""`--density`, `--density-at`, `--hydrometer`: a typed density goes through the same door as one of the site file."""

import argparse

from gateway.calculation.density.entered import EnteredDensity, KnownDensity, as_observed, at_reference
from gateway.calculation.plan import ProductPlan
from gateway.errors import GatewayError, QuantityError, UsageError
from gateway.units.quantity import Dimension, parse, parse_quantity

__all__ = ["add_density", "as_read", "known_density", "typed_density"]

_BY_UNIT = "by its unit"


def add_density(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--density",
        metavar="QUANTITY",
        help="at the reference temperature, or as --density-at says; degAPI and SG at 60 degF",
    )
    parser.add_argument("--density-at", metavar="QUANTITY", help="temperature at which the density was measured")
    parser.add_argument(
        "--hydrometer",
        metavar="MADE FOR",
        nargs="?",
        const=_BY_UNIT,
        help="the density is a glass hydrometer's reading at --density-at, its glass not corrected for; made for "
        "60 degF where it is in degAPI or SG, else for 15 degC, unless another is given",
    )


def typed_density(arguments: argparse.Namespace) -> EnteredDensity | None:
    """What was typed, or None. Raises UsageError."""
    if arguments.density is None:
        for option in ("density-at", "hydrometer"):
            if getattr(arguments, option.replace("-", "_")) is not None:
                raise UsageError(f"--{option} was given without --density", "give both, or neither")
        return None
    try:
        density = parse(arguments.density, Dimension.DENSITY)
    except QuantityError as error:
        raise UsageError(f"--density: {error}", error.hint) from error
    if not density.value > 0.0:
        raise UsageError(f"--density: {arguments.density} is no density; a density is above 0 kg/m3")
    hydrometer = arguments.hydrometer
    return EnteredDensity(
        density,
        None if arguments.density_at is None else _temperature("density-at", arguments.density_at),
        hydrometer is not None,
        None if hydrometer in (None, _BY_UNIT) else _temperature("hydrometer", hydrometer),
    )


def known_density(product: ProductPlan, given: EnteredDensity) -> KnownDensity:
    """The density at the product's reference temperature.

    Raises UsageError where the product takes no density, or not this one.
    """
    if not product.method.needs_density:
        raise UsageError(
            f"--density: {product.name} goes by density against temperature and takes no other",
            "leave --density away, or change the product in the site file",
        )
    try:
        return at_reference(product, given)
    except GatewayError as error:
        raise UsageError(f"--density: {error}") from error


def as_read(given: EnteredDensity) -> tuple[float, float | None]:
    """(kg/m3, degC where it holds or None), corrected for a hydrometer's glass. Raises UsageError."""
    try:
        return as_observed(given)
    except GatewayError as error:
        raise UsageError(f"--density: {error}") from error


def _temperature(option: str, text: str) -> float:
    try:
        return parse_quantity(text, Dimension.TEMPERATURE)
    except QuantityError as error:
        raise UsageError(f"--{option}: {error}", error.hint) from error
