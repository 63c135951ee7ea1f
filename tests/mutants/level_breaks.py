"""Breaks of the level chain, the average temperature, plausibility and memory."""

from tests.mutants.a_break import Break

__all__ = ["LEVEL_BREAKS"]

TEMPERATURE = "gateway/calculation/temperature/average.py"
ELEMENTS = "gateway/calculation/temperature/element_reasons.py"
PLAN = "gateway/calculation/plan.py"
LEVEL = "gateway/calculation/level/chain.py"
AVERAGE = ("tests/calculation/test_temperature.py", "tests/calculation/test_uncertain_level.py")
LEVELS = ("tests/calculation/test_level.py",)
BY_PRESSURE = "gateway/calculation/level/by_pressure.py"
COLUMN = "gateway/calculation/level/column.py"
HYDROSTATIC = "gateway/calculation/level/hydrostatic.py"
GROWTH = "gateway/calculation/level/reference_height.py"
COLUMNS = ("tests/calculation/test_column.py", "tests/calculation/test_hydrostatic.py")
HEIGHTS = ("tests/calculation/test_reference_height.py",)
SHEET = ("tests/calculation/test_inventory.py",)
RATES = "gateway/calculation/doubts/rates.py"
GAUGES = "gateway/calculation/doubts/two_gauges.py"
COURSE = "gateway/calculation/doubts/flow_direction.py"
DENSITIES = "gateway/calculation/doubts/densities_apart.py"
FLOW = "gateway/calculation/doubts/sure_flow.py"
JUDGED = "gateway/calculation/doubts/plausibility.py"
PLAUSIBLE = ("tests/calculation/test_rates.py",)
STORIES = ("tests/calculation/test_plausibility.py",)
TWO_GAUGES = ("tests/calculation/test_two_gauges.py",)
DIRECTION = ("tests/calculation/test_flow_direction.py",)
APART = ("tests/calculation/test_densities_apart.py",)
STILLNESS = "gateway/calculation/doubts/stillness.py"
STILL = ("tests/calculation/test_stillness.py",)

LEVEL_BREAKS: tuple[Break, ...] = (
    Break(
        "ullage taken for innage",
        LEVEL,
        "else reference_height_m - given.value + plan.offset_m",
        "else given.value + plan.offset_m",
        LEVELS,
    ),
    Break(
        "level above the reference height kept",
        LEVEL,
        "    if level_m > reference_height_m + resolution_m:\n",
        "    if level_m > 2.0 * reference_height_m:\n",
        LEVELS,
    ),
    Break("lowest possible level shifted", LEVEL, "LOWEST_LEVEL_M = -0.020", "LOWEST_LEVEL_M = -0.200", LEVELS),
    Break(
        "water above the level kept",
        LEVEL,
        "given.value > level.value + TAPE_RESOLUTION_M:",
        "given.value > level.value + 1.0:",
        LEVELS,
    ),
    Break(
        "no water detected shown as a water level of zero",
        LEVEL,
        "given._replace(value=None, reasons=",
        "given._replace(value=0.0, reasons=",
        LEVELS,
    ),
    Break(
        "level by pressure from the density at reference temperature",
        BY_PRESSURE,
        "_, corrected, doubts = correct(basis, liquid_c, above_pa)",
        "_, corrected, doubts = correct(basis, 15.0, above_pa)",
        SHEET,
    ),
    Break(
        "an all but empty tank shown Good",
        BY_PRESSURE,
        "    return figure.lower(level, reason)\n",
        "    return level\n",
        COLUMNS,
    ),
    Break("no way back from a low head", BY_PRESSURE, "    if memory.low_heads.level:\n", "    if False:\n", COLUMNS),
    Break(
        "no way back from a pressure below zero",
        BY_PRESSURE,
        "border_pa = -head.accuracy_pa / 2.0 if memory.low_heads.below_zero else -head.accuracy_pa",
        "border_pa = -head.accuracy_pa",
        COLUMNS,
    ),
    Break(
        "a blanket of unknown pressure ignored",
        COLUMN,
        "unknown = plan.blanketed or around.vapour_pressure_fitted",
        "unknown = False",
        COLUMNS,
    ),
    Break(
        "the gas taken as vacuum",
        COLUMN,
        "        return around.air_density_kg_m3 + AIR_PER_PA * column.above_pa\n",
        "        return 0.0\n",
        COLUMNS,
    ),
    Break(
        "free water weighed as product",
        COLUMN,
        "return None if water_level.value is None else WaterLayer(water_level.value, around.water_density_kg_m3)",
        "return None",
        COLUMNS,
    ),
    Break("outside air of 1.3 kg/m3", HYDROSTATIC, "AIR_DENSITY = 1.2\n", "AIR_DENSITY = 1.3\n", COLUMNS),
    Break("free water of 1000 kg/m3", HYDROSTATIC, "WATER_DENSITY = 998.0\n", "WATER_DENSITY = 1000.0\n", COLUMNS),
    Break(
        "no way back from too little liquid for a density",
        "gateway/calculation/density/measured.py",
        "(max(_BAND_M, _BAND * least_m) if was_short else 0.0)",
        "0.0",
        COLUMNS,
    ),
    Break(
        "water under the product left in its density",
        HYDROSTATIC,
        "        heads -= water.density_kg_m3 * deep_m\n",
        "        heads -= 0.0 * deep_m\n",
        COLUMNS,
    ),
    Break(
        "reference height that does not grow",
        GROWTH,
        "return height_m * (1.0 + linear_coefficient_per_c * (shell_c - table_c))",
        "return height_m",
        HEIGHTS,
    ),
    Break(
        "reference height that grows twice",
        GROWTH,
        "return height_m * (1.0 + linear_coefficient_per_c * (shell_c - table_c))",
        "return height_m * (1.0 + 2.0 * linear_coefficient_per_c * (shell_c - table_c))",
        HEIGHTS,
    ),
    Break(
        "unknown growth shown Good",
        GROWTH,
        "    if off_m <= _MATTERS_M:\n",
        "    if off_m <= 1.0:\n",
        HEIGHTS,
    ),
    Break(
        "elements of the level before the growth",
        "gateway/calculation/level/source.py",
        "    return stand_alike(plan.temperature, was_m, level_m)",
        "    return True",
        HEIGHTS,
    ),
    Break(
        "two gauges averaged",
        "gateway/calculation/level/source.py",
        "    first = level\n",
        "    first = level\n    if level.value is not None and second.value is not None:\n"
        "        level = level._replace(value=(level.value + second.value) / 2)\n",
        SHEET,
    ),
    Break("dry element averaged", TEMPERATURE, "        if not is_wet:\n            continue\n", "", AVERAGE),
    Break(
        "element in free water averaged",
        TEMPERATURE,
        "        if is_in_water:\n            notes[index] = in_water(plan, index)",
        "        if plan.elements[index].height_m < 0.0:\n            notes[index] = in_water(plan, index)",
        AVERAGE,
    ),
    Break(
        "hysteresis removed",
        TEMPERATURE,
        "bisect_right(plan.leaves_m, level_m), plan)",
        "bisect_right(plan.enters_m, level_m), plan)",
        AVERAGE,
    ),
    Break(
        "element leaves at a third of the margin",
        PLAN,
        "self.immersion_margin_m * 2.0 / 3.0",
        "self.immersion_margin_m * 1.0 / 3.0",
        AVERAGE,
    ),
    Break("float32 level falls short of its threshold", PLAN, "TOUCH_M = 1e-6", "TOUCH_M = 0.0", AVERAGE),
    Break(
        "failed wet element leaves the average Good",
        TEMPERATURE,
        "            quality = Quality.UNCERTAIN\n            continue\n",
        "            continue\n",
        AVERAGE,
    ),
    Break(
        "slice weights forgotten",
        TEMPERATURE,
        "if plan.weighting is _EQUAL or len(used) == 1:",
        "if used:",
        AVERAGE,
    ),
    Break(
        "slices up to the top of the tank instead of the surface",
        "gateway/calculation/temperature/slices.py",
        "    borders.append(capacity.volume(level_m))\n",
        "    borders.append(capacity.volume(capacity.top_m))\n",
        AVERAGE,
    ),
    Break(
        "last Good average used beyond 24 h",
        "gateway/calculation/figure.py",
        "0.0 <= now_s - last.time_s <= limit_s",
        "0.0 <= now_s - last.time_s",
        AVERAGE,
    ),
    Break(
        "last Good average lasts 48 h",
        PLAN,
        "last_good_limit_s: float = 86_400.0",
        "last_good_limit_s: float = 172_800.0",
        AVERAGE,
    ),
    Break(
        "last Good average shown Good",
        "gateway/calculation/figure.py",
        "Figure(last.value, _UNCERTAIN, ",
        "Figure(last.value, _GOOD, ",
        AVERAGE,
    ),
    Break(
        "lowest element taken though it is dry",
        TEMPERATURE,
        "if inputs and level_m >= plan.elements[0].height_m - TOUCH_M and not placed.in_water[0]:",
        "if inputs and not placed.in_water[0]:",
        AVERAGE,
    ),
    Break(
        "two elements never compared",
        "gateway/calculation/doubts/outliers.py",
        "        return abs(values[left[0]] - values[left[1]])\n",
        "        return 0.0\n",
        AVERAGE,
    ),
    Break("any spread is Good", ELEMENTS, "if spread_c > plan.spread_c:", "if spread_c > 1e9:", AVERAGE),
    Break("any distance is Good", TEMPERATURE, "if away_m > plan.reach_m + TOUCH_M:", "if away_m > 1e9:", AVERAGE),
    Break(
        "water at an element without hysteresis",
        TEMPERATURE,
        "bisect_right(plan.heights_m, covered_m + _WATER_LEAVES_M)",
        "bisect_right(plan.heights_m, covered_m)",
        ("tests/calculation/test_free_water.py",),
    ),
    Break(
        "a limit is left at its very level",
        "gateway/calculation/level/limit_state.py",
        "(limit_m - leaves_m if held else limit_m)",
        "limit_m",
        ("tests/calculation/test_limit_state.py",),
    ),
    Break(
        "any level beyond an end is that end",
        LEVEL,
        "return level._replace(value=end_m) if abs(level_m - end_m) <= resolution_m else level",
        "return level._replace(value=end_m)",
        ("tests/calculation/test_ends.py",),
    ),
    Break(
        "average by an uncertain level Good",
        TEMPERATURE,
        "    if level.quality is _GOOD or average.value is None or level.quality <= average.quality:\n",
        "    if level.quality is not None:\n",
        AVERAGE,
    ),
    Break(
        "liquid element counted as vapour",
        TEMPERATURE,
        "clear_m = level_m + plan.vapour_clearance_m - TOUCH_M",
        "clear_m = level_m - plan.vapour_clearance_m",
        AVERAGE,
    ),
    Break(
        "rate judged by fifteen times the pumping rate",
        RATES,
        "_PUMPING_ALLOWANCE = 1.5",
        "_PUMPING_ALLOWANCE = 15.0",
        PLAUSIBLE,
    ),
    Break(
        "a jump told in another unit",
        RATES,
        '"level rises from {base:m .3f} by {change:mm .0f} within',
        '"level rises from {base:m .3f} by {change:cm .0f} within',
        ("tests/calculation/test_reason_texts.py",),
    ),
    Break(
        "an element that failed named twice",
        ELEMENTS,
        "return reason._replace(phrase=rest) if rest and",
        "return reason if rest and",
        AVERAGE,
    ),
    Break(
        "temperature rate in degC a second",
        RATES,
        "_TEMPERATURE_RATE_C_S = _TEMPERATURE_RATE_C_MIN / 60.0",
        "_TEMPERATURE_RATE_C_S = _TEMPERATURE_RATE_C_MIN",
        PLAUSIBLE,
    ),
    Break("flow in and out added up", FLOW, "given.value if plan.into else -given.value", "given.value", STILL),
    Break(
        "a pump's least flow taken for all that flows",
        FLOW,
        "    if least < 0.0 < most:\n        return None\n",
        "",
        STILL,
    ),
    Break(
        "a frozen level forgotten when pumping ends", STILLNESS, "doubted = before.doubted or (", "doubted = (", STILL
    ),
    Break("the zero error of a meter taken for a flow", FLOW, "_SLOWEST_S = 3600.0", "_SLOWEST_S = 3.6e9", STILL),
    Break("every step of the gauge is a movement", STILLNESS, "gauge.resolution_m + TOUCH_M", "TOUCH_M", STILL),
    Break(
        "a frozen level shown Good",
        JUDGED,
        "causes[Doubt.FROZEN] = frozen_fault(plan, still)",
        "causes[Doubt.FROZEN] = None",
        STILL,
    ),
    Break(
        "a jump out of the table escapes",
        RATES,
        "        return plan.top_volume_m3 + (level_m - capacity.top_m) * plan.top_area_m2\n",
        "        return plan.top_volume_m3\n",
        PLAUSIBLE,
    ),
    Break(
        "a false first reading is a base to judge by",
        RATES,
        "return _LONGEST_S if stood_s >= _SETTLED_S else max(_SPAN_S, stood_s)",
        "return _LONGEST_S",
        PLAUSIBLE,
    ),
    Break(
        "a false echo turns Good by staying",
        RATES,
        "return _LONGEST_S if stood_s >= _SETTLED_S else max(_SPAN_S, stood_s)",
        "return max(_SPAN_S, 0.0 * stood_s)",
        PLAUSIBLE,
    ),
    Break(
        "a gauge that returns judged by what its stand-in read",
        JUDGED,
        "        before.first,\n        before.first_movement,\n",
        "        before.second,\n        before.first_movement,\n",
        TWO_GAUGES,
    ),
    Break(
        "a level that jumps soon after a start is believed against the other gauge",
        JUDGED,
        "        differ and not before.second.rival,\n",
        "        False,\n",
        TWO_GAUGES,
    ),
    Break(
        "two gauges that both jump contradict each other",
        JUDGED,
        "        differ and not before.second.rival,\n",
        "        differ,\n",
        TWO_GAUGES,
    ),
    Break(
        "two gauges that jump together bear each other out",
        JUDGED,
        "first.sample is not None and second.track.state is TrackState.SETTLED:",
        "first.sample is not None:",
        TWO_GAUGES,
    ),
    Break(
        "one missing poll forgets that the gauges differ",
        GAUGES,
        "return before if before is not None and now_s - before.last_s <= waits_s else None",
        "return None",
        TWO_GAUGES,
    ),
    Break("gauges that were proven apart agree at the edge", GAUGES, "_LEAVES = 0.8", "_LEAVES = 1.0", TWO_GAUGES),
    Break(
        "a fill that looks like a drain is shown Good",
        JUDGED,
        "causes[Doubt.AGAINST_FLOW] = course_fault(plan, course)",
        "causes[Doubt.AGAINST_FLOW] = None",
        DIRECTION,
    ),
    Break(
        "one look at a level that is off is a movement",
        COURSE,
        "time_s - since_s >= _AGAINST_FOR_S and is_due",
        "is_due",
        DIRECTION,
    ),
    Break("the way a level moves ignored", COURSE, "(1.0 if passed > 0.0 else -1.0)", "1.0", DIRECTION),
    Break(
        "a level against the flow forgotten with the flow",
        COURSE,
        "flow or 0.0, found=found)",
        "flow or 0.0)",
        DIRECTION,
    ),
    Break(
        "a measured density that disagrees lowers itself alone",
        "gateway/calculation/inventory.py",
        "        correction = of_another_product(correction, density.doubt)\n",
        "        pass\n",
        ("tests/calculation/test_inventory_extensions.py",),
    ),
    Break("densities that differ agree at the edge", DENSITIES, "_LEAVES = 0.8", "_LEAVES = 1.0", APART),
    Break(
        "the product that changed forgotten with the pressure",
        DENSITIES,
        "    if difference is None:\n        return before\n",
        "    if difference is None:\n        return None\n",
        APART,
    ),
    Break(
        "ages that differ of no account while the level moves",
        JUDGED,
        "used.movement.state is _MOVING:",
        "used.movement.state is None:",
        STORIES,
    ),
    Break(
        "ages that differ doubted at rest",
        JUDGED,
        "used.movement is not None and used.movement.state is _MOVING:\n",
        "used.movement is not None:\n",
        STORIES,
    ),
    Break(
        "ages may differ by as much as makes a reading stale",
        "gateway/settings/tanks/sources.py",
        "_APART_PERIODS = 1.5",
        "_APART_PERIODS = 3.0",
        ("tests/settings/test_demo_site.py",),
    ),
    Break(
        "a spare gauge alone makes the tank Bad",
        "gateway/figures.py",
        '        "second_level",\n        "level_difference",\n        "vapour',
        '        "vapour',
        SHEET,
    ),
    Break(
        "unlike datums pass",
        "gateway/settings/tanks/datum_checks.py",
        "        if same_place(gauge.datum, zero):\n",
        "        if gauge.datum:\n",
        ("tests/settings/test_datums.py",),
    ),
    Break(
        "uncertain value kept as the last Good",
        "gateway/calculation/memory.py",
        "        if value is not None and quality is _GOOD:\n",
        "        if value is not None:\n",
        ("tests/calculation/test_last_good.py",),
    ),
)
