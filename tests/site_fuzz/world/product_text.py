"""A random product as a user would write it into the site file."""

from tests.site_fuzz.products import (
    Coefficient,
    Ethanol,
    LitreWeight,
    LitreWeights,
    Lpg,
    Method,
    Petroleum1980,
    Petroleum2004,
    Points,
    Product,
    Solution,
    StraightLine,
    WaterItself,
)
from tests.site_fuzz.tanks import Tank

__all__ = ["ENTERED", "density_text", "product_lines"]

ENTERED = "2026-11-25T06:00Z"
_60F_C = 28.0 / 1.8


def _temperature(celsius: float) -> str:
    return "60 degF" if abs(celsius - _60F_C) < 1e-9 else f"{celsius!r} degC"


def product_lines(tank: Tank) -> list[str]:
    product, density = tank.product, tank.density
    lines = _method(product.method, product)
    if product.rounded:
        lines.append("rounding: standard")
    if product.air_density != 1.2 or product.weights_density != 8000.0:
        lines.append(
            f"weight_in_air: {{convention: buoyancy, air_density: {product.air_density!r} kg/m3, "
            f"weights_density: {product.weights_density!r} kg/m3}}"
        )
    elif product.convention != "buoyancy":
        lines.append(f"weight_in_air: {product.convention}")
    if product.solute_fraction is not None:
        lines.append(f"solute_fraction: {product.solute_fraction!r} 1")
    if density is not None and density.by_product:
        lines.append(f"reference_density: {density_text(tank)}")
    return lines


def density_text(tank: Tank) -> str:
    density = tank.density
    assert density is not None
    by_unit = density.text.endswith(("degAPI", "SG"))
    at = "" if density.at == "reference" or (by_unit and density.made_for_c is None) else f", at: {_place(density.at)}"
    if density.made_for_c is not None:
        at += ", by: hydrometer" + ("" if by_unit else f", made_for: {_temperature(density.made_for_c)}")
    dates = f", entered: {ENTERED}, expires: 31 d" if density.dated else ""
    return f"{{value: {density.text}{at}{dates}}}"


def _place(at: str | float) -> str:
    return at if isinstance(at, str) else _temperature(at)


def _method(method: Method, product: Product) -> list[str]:
    lines: list[str] = []
    match method:
        case Petroleum2004():
            lines = ["method: api_11_1_2004", f"group: {method.group}"]
            if method.alpha_60f_per_f is not None:
                lines.append(f"expansion_at_60f: {method.alpha_60f_per_f!r} /degF")
        case Petroleum1980():
            lines = ["method: api_11_1_1980", f"group: {method.group}", f"table: {method.table}"]
            if method.alpha_per_c is not None:
                lines.append(f"expansion: {method.alpha_per_c!r} /degC")
            if method.cold:
                lines.append("cold_extension: yes")
        case Lpg():
            lines = ["method: lpg_tp27"]
        case Coefficient():
            lines = ["method: expansion_coefficient", f"expansion: {method.alpha_per_c!r} /degC"]
            if method.lowest_c is not None:
                lines += [f"lowest: {method.lowest_c!r} degC", f"highest: {method.highest_c!r} degC"]
        case StraightLine():
            lines = [
                "method: density_against_temperature",
                "source: drawn by lot",
                f"straight_line: {{density: {method.density!r} kg/m3, temperature: {method.at_c!r} degC, slope: "
                f"{method.slope!r} kg/m3/degC, lowest: {method.lowest_c!r} degC, highest: {method.highest_c!r} degC}}",
            ]
        case Points():
            lines = ["method: density_against_temperature", "source: drawn by lot", "points:"]
            for celsius, density in zip(method.temperatures_c, method.densities, strict=True):
                lines.append(f"  - {{temperature: {celsius!r} degC, density: {density!r} kg/m3}}")
            if method.cubic:
                lines.append("interpolation: monotone_cubic")
        case Solution():
            columns = ", ".join(f"{each!r} degC" for each in method.temperatures_c)
            lines = ["method: density_of_solution", "source: drawn by lot", f"temperatures: [{columns}]", "rows:"]
            for fraction, row in zip(method.fractions, method.densities, strict=True):
                cells = ", ".join(f"{each!r} kg/m3" for each in row)
                lines.append(f"  - {{mass_fraction: {fraction!r} 1, densities: [{cells}]}}")
            if method.fraction is not None:
                lines.append(f"mass_fraction: {method.fraction!r} 1")
        case Ethanol():
            lines = ["method: ethanol_oiml_r22"]
            if method.by_mass is not None:
                lines.append(f"strength_by_mass: {method.by_mass!r} 1")
            if method.by_volume is not None:
                lines.append(f"strength_by_volume: {method.by_volume!r} 1")
        case WaterItself():
            lines = ["method: water", f"equation: {method.equation}"]
        case LitreWeight():
            lines = [
                "method: fatty_oil",
                "source: drawn by lot",
                f"litre_weight: {{temperature: {method.at_c!r} degC, weight: {method.weight!r} kg/m3, "
                f"slope: {method.slope!r} kg/m3/degC, span: {method.span_c!r} degC}}",
            ]
        case LitreWeights():
            lines = ["method: fatty_oil", "source: drawn by lot", "litre_weights:"]
            for celsius, weight in zip(method.temperatures_c, method.weights, strict=True):
                lines.append(f"  - {{temperature: {celsius!r} degC, weight: {weight!r} kg/m3}}")
            if method.nearest_row:
                lines.append("nearest_row: yes")
    if method.reference_c is not None:
        lines.append(f"reference_temperature: {_temperature(method.reference_c)}")
    return lines
