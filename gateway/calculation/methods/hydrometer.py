"""Correcting a glass hydrometer's reading for the expansion of its glass."""

from gateway.calculation.limits import require_within
from gateway.errors import LimitError

__all__ = ["MADE_FOR_C", "hydrometer_correction", "hydrometer_correction_15c", "hydrometer_correction_60f"]

_CLAUSE = "glass hydrometer, API 2540 (1980) tables 5, 23 and 53"
_TEMPERATURE_C = (-18.0, 150.0)
_60F_C = (60.0 - 32.0) / 1.8
_SAME_C = 0.05
MADE_FOR_C = (15.0, 20.0, _60F_C)
"""The temperatures that hydrometers for petroleum and its like are made for, degC."""


def hydrometer_correction(made_for_c: float, temperature_c: float) -> float:
    """Factor by which the reading at `temperature_c` of a hydrometer made for `made_for_c` (degC) is multiplied.

    Made for 15 or 20 degC: 1 - 2.3e-5 dt - 2e-8 dt^2, dt from there (for 20 degC ISO 91-2, from memory; ISO 1768 has
    2.5e-5 as the conventional expansion of the glass, within 2e-5 of it over 10 degC); for 60 degF
    `hydrometer_correction_60f`. Raises LimitError for another temperature, and outside -18..150 degC.
    """
    if abs(made_for_c - _60F_C) < _SAME_C:
        return hydrometer_correction_60f(temperature_c)
    if not any(abs(made_for_c - allowed) < _SAME_C for allowed in MADE_FOR_C):
        raise LimitError("temperature made for", made_for_c, "degC", "not 15 degC, 20 degC or 60 degF", _CLAUSE)
    return _celsius(made_for_c, temperature_c)


def hydrometer_correction_15c(temperature_c: float) -> float:
    """Factor by which the reading of a hydrometer made for 15 degC is multiplied: 1 - 2.3e-5 dt - 2e-8 dt^2.

    dt = temperature - 15 degC. The printed Tables 53 contain it; the methods here do not, as the 2004 edition does not:
    apply it once, before the correction to reference, and never to an oscillating tube's or a probe's density.
    Raises LimitError outside -18..150 degC.
    """
    return _celsius(15.0, temperature_c)


def _celsius(made_for_c: float, temperature_c: float) -> float:
    dt = require_within("temperature of the reading", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE) - made_for_c
    return 1.0 - 2.3e-5 * dt - 2e-8 * dt * dt


def hydrometer_correction_60f(temperature_c: float) -> float:
    """The same for a hydrometer made for 60 degF (tables 5 and 23): 1 - 1.278e-5 dt - 6.2e-9 dt^2, dt in degF from 60.

    `temperature_c` is in degC. Raises LimitError outside -18..150 degC.
    """
    reading_c = require_within("temperature of the reading", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE)
    dt = 1.8 * reading_c + 32.0 - 60.0
    return 1.0 - 1.278e-5 * dt - 6.2e-9 * dt * dt
