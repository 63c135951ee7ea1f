"""Breaks of the constants of every product group, and of shapes and parts, that whole random sites must show."""

from tests.mutants.a_break import Break

__all__ = ["SITE_BREAKS"]

SITES = ("tests/site_fuzz/test_short_run.py",)
METHODS = "gateway/calculation/methods/"
PETROLEUM = f"{METHODS}petroleum.py"
TABLES_1980 = f"{METHODS}petroleum_1980.py"
LPG = f"{METHODS}lpg.py"
ETHANOL = f"{METHODS}ethanol.py"
WATER = f"{METHODS}water.py"
SHAPES = "gateway/calculation/shapes/"


def _constant(name: str, file: str, old: str, new: str) -> Break:
    return Break(f"sites: {name}", file, old, new, SITES)


SITE_BREAKS: tuple[Break, ...] = (
    _constant("K0 of crude oil", PETROLEUM, "341.0957", "341.0975"),
    _constant("K0 of gasolines", PETROLEUM, "192.4571", "192.4751"),
    _constant("K1 of gasolines", PETROLEUM, "0.2438", "0.2439"),
    _constant("K2 of the transition zone", PETROLEUM, "-0.00186840", "-0.00186804"),
    _constant("K0 of jet fuels", PETROLEUM, "330.3010", "330.3001"),
    _constant("K1 of fuel oils", PETROLEUM, "0.2701", "0.2710"),
    _constant("K1 of lubricating oils", PETROLEUM, "0.34878", "0.34887"),
    _constant("shift of 60 degF", PETROLEUM, "_DELTA_60F = 0.01374979547", "_DELTA_60F = 0.01347979547"),
    _constant("border of jet fuels", PETROLEUM, "_SubGroup(787.5195, 838.3127", "_SubGroup(787.5195, 858.3127"),
    _constant("compressibility", PETROLEUM, "793920.0 + 2326.0", "793290.0 + 2326.0"),
    _constant("scale of 1968", f"{METHODS}its90.py", "0.148759", "0.147859"),
    _constant("table 54A", TABLES_1980, "613.9723", "613.9273"),
    _constant("table 54B, gasolines", TABLES_1980, "346.4228", "346.2428"),
    _constant("table 6B, jet fuels", TABLES_1980, "330.3010", "330.0310"),
    _constant("table 54D", TABLES_1980, "0.6278", "0.6287"),
    _constant("water of 1980", TABLES_1980, "_WATER_60F = 999.012", "_WATER_60F = 999.102"),
    _constant("propane of TP-27", LPG, "1.96568366933", "1.96586366933"),
    _constant("normal butane of TP-27", LPG, "2.03734743118", "2.03743743118"),
    _constant("critical temperature of isopentane", LPG, "460.44", "460.54"),
    _constant("OIML R 22, by strength", ETHANOL, "-192.9769495", "-192.9796495"),
    _constant("OIML R 22, by temperature", ETHANOL, "-10.46914743455169", "-10.64914743455169"),
    _constant("pure ethanol", ETHANOL, "PURE_ETHANOL_20C = 789.24", "PURE_ETHANOL_20C = 789.42"),
    _constant("Tanaka", WATER, "522528.9", "522582.9"),
    _constant("Kell", WATER, "16.945176", "16.945716"),
    _constant("constant coefficient", f"{METHODS}expansion.py", "(1.0 + 0.8 * x)", "(1.0 + 0.6 * x)"),
    _constant(
        "straight line", f"{METHODS}tabulated.py", "(temperature_c - self.temperature_c)", "(temperature_c - 20.0)"
    ),
    _constant("monotone cubic", f"{METHODS}monotone_cubic.py", "2.0 * right + left", "right + left"),
    _constant("grid of a solution", f"{METHODS}solution.py", "a + share * (b - a)", "a + share * share * (b - a)"),
    _constant("litre weight", f"{METHODS}fatty_oil.py", "self.slope_per_c * (", "0.68 * ("),
    _constant("litre weight, nearest row", f"{METHODS}fatty_oil.py", "0.5 * (self.temp", "0.2 * (self.temp"),
    _constant("vacuum from air", "gateway/calculation/quantities/mass.py", "+ 1.22) / 1.00015", "+ 1.2) / 1.00015"),
    _constant(
        "density reduction",
        "gateway/calculation/quantities/mass.py",
        "return 1.0 - 1.1 / density",
        "return 1.0 - 1.2 / density",
    ),
    _constant(
        "rounding to 0.05 degC",
        f"{METHODS}rounding.py",
        '"API MPMS 11.1 (2004)", 0.1, 0.05',
        '"API MPMS 11.1 (2004)", 0.1, 0.1',
    ),
    _constant("dished end", f"{SHAPES}ends.py", "(sphere - height / 3.0)", "(sphere - height / 4.0)"),
    _constant("sloping vessel", f"{SHAPES}tilted.py", "at_gauge + gauge_m * slope, ", "at_gauge, "),
    _constant("sphere", f"{SHAPES}solids.py", "(1.5 * diameter - level_m)", "(1.5 * diameter - 0.999 * level_m)"),
    _constant(
        "stretch of the shell",
        "gateway/calculation/quantities/liquid_head.py",
        "/ (4.0 * modulus_pa)",
        "/ (3.0 * modulus_pa)",
    ),
    _constant("platinum", "gateway/calculation/temperature/resistance.py", "3.9083e-3", "3.9038e-3"),
    _constant(
        "shell of carbon steel",
        "gateway/calculation/quantities/shell.py",
        '"carbon steel", 1.116e-5',
        '"carbon steel", 1.161e-5',
    ),
    _constant(
        "roof by the table's density",
        "gateway/calculation/quantities/floating_roof.py",
        "1.0 / table_density_kg_m3 - 1.0",
        "1.0 / 840.0 - 1.0",
    ),
)
