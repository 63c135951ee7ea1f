"""A value measured by hand, as typed: through the same door as one of the site file."""

from gateway.calculation.door import hand_refusal
from gateway.errors import QuantityError, UsageError
from gateway.units.quantity import Dimension, parse_quantity

__all__ = ["hand_value"]


def hand_value(option: str, field: str, text: str, dimension: Dimension, reference_height_m: float) -> float:
    """SI. `field` is the one of a `TankInput` that it is for. Raises UsageError naming the option."""
    try:
        value = parse_quantity(text, dimension)
    except QuantityError as error:
        raise UsageError(f"--{option}: {error}", error.hint) from error
    refused = hand_refusal(field, value, reference_height_m)
    if refused is not None:
        said, _, hint = refused.partition("; ")
        raise UsageError(f"--{option}: {' '.join(text.split())} {said}", hint or None)
    return value
