"""The refusals every shape and table shares: a level outside its range, a dimension that cannot be."""

import math

from gateway.errors import LimitError, SettingsError

__all__ = ["level_outside", "require_dimensions"]


def level_outside(level_m: float, bottom_m: float, top_m: float, clause: str) -> LimitError:
    """The error for a level outside `bottom_m`..`top_m`, or not a number: it names the end that was passed."""
    if level_m < bottom_m:
        limit = f"below the lowest level with a known volume, {bottom_m:.7g} m"
    elif level_m > top_m:
        limit = f"above the highest level with a known volume, {top_m:.7g} m"
    else:
        limit = f"not a number; {bottom_m:.7g} m to {top_m:.7g} m has a known volume"
    return LimitError("level", level_m, "m", limit, clause)


def require_dimensions(shape: str, positive: dict[str, float], not_negative: dict[str, float] | None = None) -> None:
    """Check the dimensions of a shape, by name with its unit (`diameter in m`).

    Raises SettingsError naming every dimension that is not finite and greater than (or at least) zero.
    """
    mistakes = [
        f"{shape}: {_told(name, value)}; it must be greater than zero"
        for name, value in positive.items()
        if not (math.isfinite(value) and value > 0.0)
    ]
    mistakes += [
        f"{shape}: {_told(name, value)}; it must be zero or more"
        for name, value in (not_negative or {}).items()
        if not (math.isfinite(value) and value >= 0.0)
    ]
    if mistakes:
        raise SettingsError(tuple(mistakes))


def _told(name: str, value: float) -> str:
    words, _, rest = name.partition(" in ")
    unit, _, of = rest.partition(" ")
    return f"{words}{f' {of}' if of else ''} is {value:.7g} {unit}"
