"""The liquid column over a pressure nozzle: what it weighs, and when that is not all product."""

from gateway.calculation import figure
from gateway.records import Figure, ReasonCode, TankInput

__all__ = ["column_pressure", "doubted_for_water"]


def column_pressure(tank_input: TankInput, name: str) -> Figure:
    """Bottom pressure less vapour pressure where that is measured, in Pa; Bad where either has no value."""
    if tank_input.bottom_pressure is None:
        return figure.bad(ReasonCode.NOT_FITTED, f"{name} has no reading")
    inputs = [figure.from_input(tank_input.bottom_pressure)]
    head_pa = inputs[0].value
    if tank_input.vapour_pressure is not None:
        vapour = figure.from_input(tank_input.vapour_pressure)
        inputs.append(vapour)
        head_pa = None if head_pa is None or vapour.value is None else head_pa - vapour.value
    return figure.derive(head_pa, inputs)


def doubted_for_water(made: Figure, water_level: Figure, nozzle_height_m: float, name: str) -> Figure:
    """What was made from the column, Uncertain where free water stands in it."""
    water_m = water_level.value
    if made.value is None or water_m is None or water_m <= nozzle_height_m:
        return made
    text = f"{name}: free water stands above the nozzle, so the column is not all product"
    return figure.lower(made, ReasonCode.INPUT_UNCERTAIN, text)
