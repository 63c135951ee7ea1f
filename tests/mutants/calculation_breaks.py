"""Breaks of volumes, corrections, masses, units and of the way quality travels."""

from tests.mutants.a_break import Break

__all__ = ["CALCULATION_BREAKS"]

QUANTITIES = "gateway/calculation/quantities/volumes.py"
FIGURE = "gateway/calculation/figure.py"
UNITS = "gateway/units/table.py"
ADJUSTMENTS = "gateway/calculation/quantities/adjustments.py"
ROOM = "gateway/calculation/quantities/room.py"
ROOMS = ("tests/calculation/test_room.py",)
SHEET = ("tests/calculation/test_inventory.py",)
FIGURES = ("tests/calculation/test_figure.py",)
PETROLEUM = ("tests/calculation/test_petroleum.py",)
CONVERSION = ("tests/calculation/test_units.py",)

CALCULATION_BREAKS: tuple[Break, ...] = (
    Break(
        "wrong K0 in API MPMS 11.1, jet fuels",
        "gateway/calculation/methods/petroleum.py",
        "330.3010",
        "330.3100",
        PETROLEUM,
    ),
    Break(
        "temperature scale of 1968 left out",
        "gateway/calculation/methods/petroleum.py",
        "return 1.8 * ipts68_from_its90(temperature_c) + 32.0",
        "return 1.8 * temperature_c + 32.0",
        PETROLEUM,
    ),
    Break(
        "wrong exponent of a constant coefficient",
        "gateway/calculation/methods/expansion.py",
        "math.exp(-x * (1.0 + 0.8 * x))",
        "math.exp(-x * (1.0 + 0.6 * x))",
        ("tests/calculation/test_expansion.py",),
    ),
    Break(
        "method used beyond its temperatures",
        "gateway/calculation/methods/expansion.py",
        "        if not lowest <= temperature_c <= highest:\n",
        "        if temperature_c != temperature_c:\n",
        ("tests/calculation/test_expansion.py",),
    ),
    Break(
        "density table extrapolated",
        "gateway/calculation/methods/tabulated.py",
        "        if not temperatures[0] <= temperature_c <= temperatures[-1]:\n",
        "        if temperature_c != temperature_c:\n",
        ("tests/calculation/test_tabulated.py",),
    ),
    Break(
        "capacity table extrapolated",
        "gateway/calculation/tables/capacity_table.py",
        "        if not self.bottom_m <= level_m <= self.top_m:\n",
        "        if level_m != level_m:\n",
        ("tests/calculation/test_capacity_table.py",),
    ),
    Break(
        "mark of thousands taken for a decimal mark",
        "gateway/settings/capacity/marks.py",
        "return len(behind) == 3 and 1 <= len(before) <= 3",
        "return len(behind) == 4 and 1 <= len(before) <= 3",
        ("tests/settings/test_capacity_marks.py",),
    ),
    Break(
        "heads of a tilted vessel that hold less than nothing",
        "gateway/calculation/shapes/tilted.py",
        "max(0.0, self._heads(level_m))",
        "self._heads(level_m)",
        ("tests/calculation/test_table_making.py",),
    ),
    Break(
        "printed step taken as the finest that fits",
        "gateway/calculation/tables/rows.py",
        "range(3, -7, -1) for factor in (5.0, 2.0, 1.0))",
        "range(-6, 4) for factor in (1.0, 2.0, 5.0))",
        ("tests/calculation/test_table_rows.py",),
    ),
    Break(
        "upright tank filled beyond its top",
        "gateway/calculation/shapes/upright.py",
        "        if not 0.0 <= level_m <= self.top_m:\n",
        "        if not 0.0 <= level_m:\n",
        ("tests/calculation/test_geometry.py",),
    ),
    Break("foot of 30.5 cm", UNITS, "FOOT = 12 * INCH", 'FOOT = Fraction("0.305")', CONVERSION),
    Break("barrel of 40 gallons", UNITS, "_BARREL = 42 * _GALLON", "_BARREL = 40 * _GALLON", CONVERSION),
    Break("water of 1000 kg/m3 in degAPI", UNITS, '_SG = Fraction("999.016")', '_SG = Fraction("1000")', CONVERSION),
    Break("zero of degF forgotten", UNITS, "Unit(_RANKINE, Fraction(-32))", "Unit(_RANKINE)", CONVERSION),
    Break("free water not taken off", QUANTITIES, " - (water.value or 0.0)\n        gov_m3", "\n        gov_m3", SHEET),
    Break(
        "free water taken off after CTSh",
        QUANTITIES,
        "gov_m3 = net_m3 * (1.0 if factor.value is None else factor.value) + (roof.value or 0.0)",
        "gov_m3 = (net_m3 + (water.value or 0.0)) * (1.0 if factor.value is None else factor.value)\n"
        "        gov_m3 += (roof.value or 0.0) - (water.value or 0.0)",
        SHEET,
    ),
    Break(
        "roof taken off before CTSh",
        QUANTITIES,
        "gov_m3 = net_m3 * (1.0 if factor.value is None else factor.value) + (roof.value or 0.0)",
        "gov_m3 = (net_m3 + (roof.value or 0.0)) * (1.0 if factor.value is None else factor.value)",
        SHEET,
    ),
    Break(
        "roof by the density at reference temperature",
        QUANTITIES,
        "roof = roof_displacement(plan, zone, level, density)",
        "roof = roof_displacement(plan, zone, level, correction.reference_density)",
        SHEET,
    ),
    Break(
        "roof added instead of taken off",
        "gateway/calculation/quantities/floating_roof.py",
        "return -mass_kg / observed_density_kg_m3",
        "return mass_kg / observed_density_kg_m3",
        ("tests/calculation/test_floating_roof.py",),
    ),
    Break(
        "landed roof taken off",
        "gateway/calculation/quantities/floating_roof.py",
        "    if level_m < critical_low_m - beyond_m:\n        return RoofZone.LANDED\n",
        "",
        ("tests/calculation/test_floating_roof.py",),
    ),
    Break(
        "roof in its critical zone Good",
        ADJUSTMENTS,
        "        return figure.lower(afloat, reason)\n",
        "        return afloat._replace(reasons=(reason,))\n",
        SHEET,
    ),
    Break(
        "mass from GSV and the density at tank temperature",
        QUANTITIES,
        "mass = _product(gsv, rho_ref)",
        "mass = _product(gsv, rho_obs)",
        SHEET,
    ),
    Break("sediment and water added", QUANTITIES, "(1.0 - share.value)", "(1.0 + share.value)", SHEET),
    Break(
        "water below the minimum counted as pumpable twice",
        ROOM,
        "max(0.0, minimum_m3 + (head.value or 0.0) - (now.water.value or 0.0))",
        "minimum_m3 + (head.value or 0.0)",
        ROOMS,
    ),
    Break(
        "room from the level of a landed roof to that of a floating one without its displacement",
        ROOM,
        "        roof_m3 = roof.value - before.value\n",
        "        roof_m3 = 0.0\n",
        ROOMS,
    ),
    Break(
        "pumpable with the roof's displacement left out at the minimum",
        ROOM,
        "rest_m3 = liquid_m3 * _factor(now) + (roof.value or 0.0)",
        "rest_m3 = liquid_m3 * _factor(now)",
        ROOMS,
    ),
    Break(
        "an amount below zero",
        QUANTITIES,
        "if gov_m3 is not None and gov_m3 < 0.0:",
        "if gov_m3 is not None and gov_m3 < -1e9:",
        ROOMS,
    ),
    Break(
        "a heel of product counted as water",
        ADJUSTMENTS,
        "if heel_m3 > 0.0 and plan.heel_holds is HeelContents.PRODUCT and found.value is not None:",
        "if heel_m3 < 0.0 and found.value is not None:",
        ("tests/calculation/test_free_water.py",),
    ),
    Break(
        "a heel that is not declared Good",
        ADJUSTMENTS,
        "if heel_m3 > 0.0 and plan.heel_holds is None and found.value is not None:",
        "if heel_m3 < 0.0 and found.value is not None:",
        ("tests/calculation/test_free_water.py",),
    ),
    Break(
        "mass and weight in air mixed up",
        "gateway/calculation/quantities/mass.py",
        "return (1.0 - air / density) / (1.0 - air / buoyancy.weights_density_kg_m3)",
        "return (1.0 - air / buoyancy.weights_density_kg_m3) / (1.0 - air / density)",
        ("tests/calculation/test_mass.py",),
    ),
    Break(
        "shell temperature weighted the wrong way round",
        "gateway/calculation/quantities/shell.py",
        "return (7.0 * liquid_c + ambient_c) / 8.0",
        "return (liquid_c + 7.0 * ambient_c) / 8.0",
        ("tests/calculation/test_shell.py",),
    ),
    Break(
        "shell expands in one direction",
        "gateway/calculation/quantities/shell.py",
        "return 1.0 + 2.0 * stretch + stretch * stretch",
        "return 1.0 + stretch",
        ("tests/calculation/test_shell.py",),
    ),
    Break(
        "vapour counted in the whole tank",
        "gateway/calculation/vapour/space.py",
        "vapour_mass(plan.full_volume_m3 - tov_m3, rho)",
        "vapour_mass(plan.full_volume_m3, rho)",
        ("tests/calculation/test_inventory.py", "tests/calculation/test_inventory_extensions.py"),
    ),
    Break(
        "Bad figure given as zero",
        FIGURE,
        "return Figure(None, _BAD, (reason,), age_s)",
        "return Figure(0.0, _BAD, (reason,), age_s)",
        SHEET,
    ),
    Break(
        "result as good as its best input",
        FIGURE,
        "quality = max([figure.quality for figure in inputs])",
        "quality = min([figure.quality for figure in inputs])",
        FIGURES,
    ),
    Break(
        "result keeps a value from a Bad input",
        FIGURE,
        "return Figure(None if quality == _BAD else value, quality, reasons, age_s, manual)",
        "return Figure(value, quality, reasons, age_s, manual)",
        FIGURES,
    ),
    Break(
        "age of a result that of its newest input",
        FIGURE,
        "        if each.age_s > age_s:\n",
        "        if age_s == 0.0 or each.age_s < age_s:\n",
        FIGURES,
    ),
)
