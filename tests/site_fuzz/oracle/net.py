"""Water off, shell, roof: GOV = (TOV + dVh - FW) CTSh + FRA, and the two amounts that people act on (decision 13)."""

from dataclasses import dataclass, field

from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, Expected, best_of
from tests.site_fuzz.oracle.levels import volume_at
from tests.site_fuzz.oracle.stretch import stretch
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN
from tests.site_fuzz.tanks import Tank

__all__ = ["Net", "net_volume", "room_and_pumpable"]

_EDGE = 1e-9
"""m: within this of a border of the roof's zone rounding decides, and either zone is right."""


@dataclass
class Net:
    """What is the same at every level of one sheet."""

    tank: Tank
    free_water: Expected
    temperature: Expected
    ambient: Expected
    density: Expected
    """At tank temperature."""
    shell: Expected = field(init=False)
    ctsh: Expected = field(init=False)

    def __post_init__(self) -> None:
        """TSh = (7 TL + TA)/8, insulated TL; CTSh = (1 + a (TSh - table))^2 (section c)."""
        steel = self.tank.shell
        if steel is None:
            self.shell = self.ctsh = NOT_APPLICABLE
            return
        liquid, ambient = self.temperature, self.ambient
        if liquid.value is None:
            self.shell = self.ctsh = Expected(None, liquid.best if liquid.best != GOOD else BAD)
            return
        if steel.insulated:
            self.shell = liquid
        elif ambient.value is None:
            # The air's temperature is not known: whatever stands in, it is no measurement.
            self.shell = self.ctsh = Expected(None, UNCERTAIN)
            return
        else:
            self.shell = Expected(
                (7.0 * liquid.value + ambient.value) / 8.0, best_of(liquid, ambient), liquid.tolerance
            )
        assert self.shell.value is not None
        stretch_ = steel.coefficient * (self.shell.value - steel.table_c)
        self.ctsh = Expected((1.0 + stretch_) ** 2, self.shell.best, 1e-11 + 4.0 * steel.coefficient * liquid.tolerance)


def _head(net: Net, level: Expected) -> Expected:
    """Beside what a table contains already."""
    tank, density = net.tank, net.density
    if tank.head is None:
        return NOT_APPLICABLE
    if level.value is None or density.value is None:
        return Expected(None, max(UNCERTAIN, best_of(level, density)))
    contained = 0.0 if tank.table is None or tank.table.head_density is None else tank.table.head_density
    whole = stretch(tank.head, max(0.0, level.value), 1.0, tank.gravity)
    tolerance = 1e-9 + whole * density.tolerance + 2.0 * whole * density.value * level.tolerance
    return Expected(whole * (density.value - contained), best_of(level, density), tolerance)


def _roof(net: Net, level: Expected) -> Expected:
    """FRA: nothing while landed, nobody knows in the critical zone, afloat W (1/rho_table - 1/rho_obs) (section e)."""
    tank, density, roof = net.tank, net.density, net.tank.roof
    if roof is None:
        return NOT_APPLICABLE
    if level.value is None:
        return Expected(None, max(UNCERTAIN, level.best))
    if roof.low + _EDGE <= level.value <= roof.high - _EDGE:
        return Expected(None, max(UNCERTAIN, level.best))
    if level.value < roof.low + _EDGE:
        return Expected(0.0, level.best, 1e-12)
    if density.value is None:
        return Expected(None, max(UNCERTAIN, density.best))
    deducted = 0.0 if tank.table is None or tank.table.roof_density is None else roof.mass / tank.table.roof_density
    displaced = roof.mass / density.value
    return Expected(
        deducted - displaced, best_of(level, density), displaced * (1e-9 + density.tolerance / density.value)
    )


def net_volume(net: Net, level: Expected, gross: Expected) -> tuple[Expected, Expected, Expected]:
    """(GOV, head adjustment, roof adjustment) at a level whose volume by the table is `gross`."""
    head, roof = _head(net, level), _roof(net, level)
    parts = [gross, *(part for part in (net.free_water, head, net.ctsh, roof) if part.enters)]
    best = best_of(*parts)
    if any(part.value is None for part in parts) or gross.value is None:
        return (LOST if best == BAD else Expected(None, max(UNCERTAIN, best))), head, roof
    factor = 1.0 if net.ctsh.value is None else net.ctsh.value
    inside = gross.value + (head.value or 0.0) - (net.free_water.value or 0.0)
    value = inside * factor + (roof.value or 0.0)
    tolerance = sum(part.tolerance for part in (gross, head, net.free_water, roof)) + abs(inside) * net.ctsh.tolerance
    if value < -tolerance:
        # Less than nothing: no such amount can be.
        return LOST, head, roof
    return Expected(value, best, tolerance), head, roof


def room_and_pumpable(net: Net, level: Expected, gross: Expected, gov: Expected) -> dict[str, Expected]:
    """Differences of GOV between two levels, each with its own roof and its own stretch, not below zero."""
    return {"pumpable": _pumpable(net, level, gov), "room": _room(net, level, gross)}


def _unknown(*parts: Expected) -> Expected:
    best = best_of(*parts)
    return LOST if best == BAD else Expected(None, max(UNCERTAIN, best))


def _pumpable(net: Net, level: Expected, gov: Expected) -> Expected:
    tank = net.tank
    if tank.minimum is None:
        return NOT_APPLICABLE
    if gov.value is not None and level.value is not None and level.value <= tank.minimum:
        return Expected(0.0, gov.best, gov.tolerance)
    there = Expected(tank.minimum, GOOD, 1e-12)
    at_minimum, _, roof = net_volume(net, there, volume_at(tank, there, 0.0))
    if at_minimum.best == BAD and roof.best == GOOD:
        # More water than reaches the minimum, or a roof heavier than what is left: all that is product can be pumped.
        at_minimum = Expected(0.0, best_of(net.free_water), gov.tolerance)
    if gov.value is None or at_minimum.value is None:
        return _unknown(gov, at_minimum)
    value = max(0.0, gov.value - at_minimum.value)
    return Expected(value, best_of(gov, at_minimum), gov.tolerance + at_minimum.tolerance)


def _room(net: Net, level: Expected, gross: Expected) -> Expected:
    """The same free water is at both levels and drops out, and so does a roof that floats, or stands, at both."""
    tank = net.tank
    if tank.working is None:
        return NOT_APPLICABLE
    if level.value is None or gross.value is None:
        return _unknown(level, gross)
    there = Expected(tank.working, GOOD, 1e-12)
    full = volume_at(tank, there, 0.0)
    if level.value >= tank.working:
        return Expected(0.0, gross.best, full.tolerance + gross.tolerance)
    now_head, full_head, now_roof, full_roof = (
        _head(net, level),
        _head(net, there),
        _roof(net, level),
        _roof(net, there),
    )
    roof = tank.roof
    if roof is not None and (level.value > roof.high - _EDGE or tank.working < roof.low + _EDGE):
        now_roof = full_roof = NOT_APPLICABLE
    parts = [part for part in (full_head, now_head, net.ctsh, full_roof, now_roof) if part.enters]
    if full.value is None or any(part.value is None for part in parts):
        return _unknown(gross, full, *parts)
    factor = 1.0 if net.ctsh.value is None else net.ctsh.value
    inside = full.value + (full_head.value or 0.0) - gross.value - (now_head.value or 0.0)
    value = inside * factor + (full_roof.value or 0.0) - (now_roof.value or 0.0)
    tolerance = sum(part.tolerance for part in (full, gross, *parts)) + abs(inside) * net.ctsh.tolerance
    return Expected(max(0.0, value), best_of(gross, full, *parts), tolerance)
