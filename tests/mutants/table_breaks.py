"""Breaks of what a capacity table says of itself, and of what people compare with it."""

from tests.mutants.a_break import Break

__all__ = ["TABLE_BREAKS"]

TABLE_BREAKS: tuple[Break, ...] = (
    Break(
        "a datum shift goes the other way",
        "gateway/settings/capacity/header.py",
        '{"zero of the gauge higher": -1.0, "zero of the gauge lower": 1.0}',
        '{"zero of the gauge higher": 1.0, "zero of the gauge lower": -1.0}',
        ("tests/settings/test_capacity_file.py",),
    ),
    Break(
        "another reference height of a table goes unseen",
        "gateway/calculation/tables/checks.py",
        "return abs(one_m - other_m) <= _SAME_HEIGHT_M + TOUCH_M",
        "return True",
        ("tests/calculation/test_table_checks.py",),
    ),
    Break(
        "a corrected table keeps the temperature of the one before",
        "gateway/commands/accountant/recalculate.py",
        "shell = replace(shell, table_temperature_c=table.temperature_c)",
        "shell = replace(shell)",
        ("tests/commands/test_recalculate.py",),
    ),
    Break(
        "dips are compared at the reference height of the table",
        "gateway/commands/technician/dip_check.py",
        "return _Height(grown_m, shell_c,",
        "return _Height(height_m, shell_c,",
        ("tests/commands/test_dip_check.py",),
    ),
    Break(
        "deadwood takes more room than there is",
        "gateway/calculation/shapes/deadwood.py",
        "return max(0.0, self._less(level_m))",
        "return self._less(level_m)",
        ("tests/calculation/test_geometry.py",),
    ),
)
