"""Breaks of what bounds methods and densities: ranges and their doubts, the door, hydrometers, windows, net masses."""

from tests.mutants.a_break import Break

__all__ = ["METHOD_BREAKS"]

EXPANSION = "gateway/calculation/methods/expansion.py"
DENSITY = "gateway/calculation/density/at_temperature.py"
DOOR = "gateway/calculation/door.py"
ENTERED = "gateway/calculation/density/entered.py"
DOUBT = ("tests/calculation/test_method_doubt.py",)
AT_THE_DOOR = ("tests/calculation/test_door.py",)
ENTRIES = ("tests/calculation/test_entered_density.py",)

METHOD_BREAKS: tuple[Break, ...] = (
    Break(
        "coefficient carried far without a word",
        EXPANSION,
        "SPAN_C = 50.0",
        "SPAN_C = 500.0",
        ("tests/calculation/test_expansion.py",),
    ),
    Break(
        "doubt of a method dropped",
        DENSITY,
        "doubts: tuple[Reason, ...] = () if doubt is None else (doubt,)",
        "doubts: tuple[Reason, ...] = ()",
        DOUBT,
    ),
    Break(
        "doubt at a border without hysteresis",
        DENSITY,
        "_INSIDE_C = 0.5",
        "_INSIDE_C = 0.0",
        DOUBT,
    ),
    Break(
        "density window not looked at live",
        DENSITY,
        "    window = basis.product.density_window\n",
        "    window = None\n",
        DOUBT,
    ),
    Break(
        "infinite reading let in",
        DOOR,
        ".value\n        if value is None or not (lowest <= value <= highest and -_OLDEST_S < each.age_s < _OLDEST_S):",
        ".value\n        if value is None:",
        AT_THE_DOOR,
    ),
    Break(
        "element that is no number let in",
        DOOR,
        "            if value is None or not (lowest <= value <= highest and -_OLDEST_S < each.age_s < _OLDEST_S):\n",
        "            if value is None:\n",
        AT_THE_DOOR,
    ),
    Break(
        "hydrometer's glass corrected the wrong way",
        "gateway/calculation/methods/hydrometer.py",
        "return 1.0 - 1.278e-5 * dt - 6.2e-9 * dt * dt",
        "return 1.0 + 1.278e-5 * dt - 6.2e-9 * dt * dt",
        ENTRIES,
    ),
    Break(
        "hydrometer's glass corrected twice",
        ENTERED,
        "        return density * hydrometer_correction(made_for_c, given.at_c), given.at_c\n",
        "        return density * hydrometer_correction(made_for_c, given.at_c) ** 2, given.at_c\n",
        ENTRIES,
    ),
    Break(
        "degrees API taken at the reference temperature",
        ENTERED,
        "    return density, _60F_C\n",
        "    return density, given.at_c\n",
        ENTRIES,
    ),
    Break(
        "density outside its window let in",
        ENTERED,
        "    if window is not None and not window.lowest_kg_m3 <= density <= window.highest_kg_m3:\n",
        "    if window is not None and density != density:\n",
        ENTRIES,
    ),
    Break(
        "weak spirit liquid below its freezing point",
        "gateway/calculation/methods/ethanol.py",
        "        if temperature_c < self.freezing_c:\n",
        "        if temperature_c < self.freezing_c - 40.0:\n",
        ("tests/calculation/test_ethanol.py",),
    ),
    Break(
        "rising density taken for a liquid's",
        "gateway/calculation/methods/tabulated.py",
        "        if after > before:\n",
        "        if after > 2.0 * before:\n",
        ("tests/calculation/test_tabulated.py",),
    ),
    Break(
        "LPG to 60 degF by metric steps",
        "gateway/calculation/methods/rounding.py",
        "TP_27_60F if _at_60f(method) else TP_27",
        "TP_27",
        ("tests/calculation/test_rounding.py",),
    ),
    Break(
        "net mass that holds the water",
        "gateway/calculation/quantities/volumes.py",
        "        net = _product(nsv, rho_ref)\n",
        "        net = _product(gsv, rho_ref)\n",
        ("tests/calculation/test_inventory.py",),
    ),
)
