"""Breaks of the vapour above a liquid, of its pressure, and of limits as parts of the capacity."""

from tests.mutants.a_break import Break

__all__ = ["VAPOUR_BREAKS"]

PRESSURE = ("tests/calculation/test_pressure_above.py",)
STATE = ("tests/calculation/test_equation_of_state.py",)

VAPOUR_BREAKS: tuple[Break, ...] = (
    Break(
        "vapour pressure never compared",
        "gateway/calculation/vapour/pressure_above.py",
        "if abs(away_pa) <= (band_pa * _ENDS_WITHIN if was_doubted else band_pa):",
        "if True:",
        PRESSURE,
    ),
    Break(
        "gauge pressure compared as absolute",
        "gateway/calculation/vapour/pressure_above.py",
        "absolute_pa = pressure.value + atmospheric_pa(plan)",
        "absolute_pa = pressure.value",
        PRESSURE,
    ),
    Break(
        "doubt of a vapour pressure without hysteresis",
        "gateway/calculation/vapour/pressure_above.py",
        "band_pa * _ENDS_WITHIN if was_doubted else band_pa",
        "band_pa",
        PRESSURE,
    ),
    Break(
        "unknown vapour pressure taken as atmospheric whatever it changes",
        "gateway/calculation/vapour/pressure_above.py",
        "if effect > _SMALL:",
        "if effect > 1.0:",
        PRESSURE,
    ),
    Break(
        "vapour of a blanketed tank at the whole pressure",
        "gateway/calculation/vapour/space.py",
        "    if plan.blanketed:\n",
        "    if False:\n",
        PRESSURE,
    ),
    Break(
        "compressibility taken as 1, Good",
        "gateway/calculation/vapour/space.py",
        "    if gas.factor is None and not gas.components:\n",
        "    if False:\n",
        PRESSURE,
    ),
    Break(
        "liquid root taken for the vapour's",
        "gateway/calculation/vapour/equation_of_state.py",
        "factor = _factors(attraction * pressure_pa, covolume * pressure_pa)[1]",
        "factor = _factors(attraction * pressure_pa, covolume * pressure_pa)[0]",
        STATE,
    ),
    Break(
        "acentric factor left out of the equation of state",
        "gateway/calculation/vapour/equation_of_state.py",
        "kappa = 0.37464 + (1.54226 - 0.26992 * each.acentric) * each.acentric",
        "kappa = 0.37464",
        STATE,
    ),
    Break(
        "part of the capacity taken as part of the height",
        "gateway/calculation/tables/level_of_volume.py",
        "if capacity.volume(middle_m) >= volume_m3:",
        "if middle_m / capacity.top_m >= volume_m3 / most_m3:",
        ("tests/calculation/test_level_of_volume.py",),
    ),
)
