"""Correcting a glass hydrometer's reading for the expansion of its glass."""

from gateway.calculation.limits import require_within

__all__ = ["hydrometer_correction_15c", "hydrometer_correction_60f"]

_CLAUSE = "glass hydrometer, API 2540 (1980) tables 5, 23 and 53"
_TEMPERATURE_C = (-18.0, 150.0)


def hydrometer_correction_15c(temperature_c: float) -> float:
    """Factor by which the reading of a hydrometer made for 15 degC is multiplied: 1 - 2.3e-5 dt - 2e-8 dt^2.

    dt = temperature - 15 degC. The printed Tables 53 contain it; the methods here do not, as the 2004 edition does not:
    apply it once, before the correction to reference, and never to an oscillating tube's or a probe's density.
    Raises LimitError outside -18..150 degC.
    """
    dt = require_within("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE) - 15.0
    return 1.0 - 2.3e-5 * dt - 2e-8 * dt * dt


def hydrometer_correction_60f(temperature_c: float) -> float:
    """The same for a hydrometer made for 60 degF (tables 5 and 23): 1 - 1.278e-5 dt - 6.2e-9 dt^2, dt in degF from 60.

    `temperature_c` is in degC. Raises LimitError outside -18..150 degC.
    """
    dt = 1.8 * require_within("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE) + 32.0 - 60.0
    return 1.0 - 1.278e-5 * dt - 6.2e-9 * dt * dt
