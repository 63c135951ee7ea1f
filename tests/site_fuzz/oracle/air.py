"""Weight in air: section d. Three conventions, of which a contract names one."""

from tests.site_fuzz.products import Product

__all__ = ["air_factor", "vacuo_from_air"]


def air_factor(density: float, product: Product) -> float:
    """Weight in air over mass."""
    match product.convention:
        case "buoyancy":
            return (1.0 - product.air_density / density) / (1.0 - product.air_density / product.weights_density)
        case "density_reduction":
            return (density - 1.1) / density
        case "table_56":
            return 1.00015 - 0.00122 / (density / 1000.0)
        case _:
            raise AssertionError(product.convention)


def vacuo_from_air(weight: float, product: Product) -> float:
    """True density from the weight in air of a cubic metre: the convention solved for the density."""
    match product.convention:
        case "buoyancy":
            share = 1.0 - product.air_density / product.weights_density
            return weight * share + product.air_density
        case "density_reduction":
            return weight + 1.1
        case _:
            return (weight + 1.22) / 1.00015
