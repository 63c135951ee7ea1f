"""What is said of a density that its product cannot have."""

from gateway.calculation.plan import DensityWindow, ProductPlan
from gateway.records import Reason, ReasonCode, because

__all__ = ["outside_window"]


def outside_window(window: DensityWindow, product: ProductPlan, density: float) -> Reason:
    """Of a `density` (kg/m3 at the reference temperature) that is not within `window`."""
    reference_c = product.method.reference_temperature_c
    lowest, highest = window
    if reference_c is None:
        return because(
            ReasonCode.DENSITY_OUTSIDE_WINDOW,
            "density {density:kg/m3 .1f} is outside that of {product}, {lowest:bare kg/m3 g} to {highest:kg/m3 g}",
            density=density,
            product=product.name,
            lowest=lowest,
            highest=highest,
        )
    return because(
        ReasonCode.DENSITY_OUTSIDE_WINDOW,
        "density {density:kg/m3 .1f} at {reference:degC .4g} is outside that of {product}, {lowest:bare kg/m3 g} to "
        "{highest:kg/m3 g}",
        density=density,
        reference=reference_c,
        product=product.name,
        lowest=lowest,
        highest=highest,
    )
