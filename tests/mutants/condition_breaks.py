"""Breaks of what alarms judge, and of the alarms that a site file gives a tank."""

from tests.mutants.a_break import Break

__all__ = ["CONDITION_BREAKS"]

CONDITIONS = "gateway/watch/conditions.py"
LEVELS = "gateway/watch/levels.py"
OF_LEVEL = "gateway/watch/level_alarms.py"
OF_VALUE = "gateway/watch/value_alarms.py"
OF_STATE = "gateway/watch/state_alarms.py"
SIGHT = "gateway/watch/sight.py"
PLANS = "gateway/settings/watch/plans.py"
CHECKS = "gateway/settings/watch/checks.py"
TIME = "gateway/settings/watch/levels.py"
BY_LEVEL = ("tests/watch/test_level_alarms.py",)
BY_VALUE = ("tests/watch/test_value_alarms.py",)
BY_STATE = ("tests/watch/test_state_alarms.py",)
SETTINGS = ("tests/settings/test_watch.py",)
REFUSED = ("tests/settings/test_invalid_site_files.py",)

CONDITION_BREAKS: tuple[Break, ...] = (
    Break(
        "a transfer that somebody announced is told as a movement that nobody did",
        "gateway/watch/watch.py",
        "suppressed=condition.suppressed or announced",
        "suppressed=condition.suppressed",
        ("tests/watch/test_life_of_a_watch.py",),
    ),
    Break(
        "a high judged by the lower of two gauges",
        LEVELS,
        "return max(known, default=None), min(known, default=None), above, below",
        "return min(known, default=None), min(known, default=None), above, below",
        BY_LEVEL,
    ),
    Break(
        "a high judged by the lower of two Good gauges",
        LEVELS,
        "(first_m, second_m) if first_m > second_m else (second_m, first_m)",
        "(first_m, second_m) if first_m < second_m else (second_m, first_m)",
        BY_LEVEL,
    ),
    Break(
        "a column higher than can be hidden by a dip",
        LEVELS,
        "    return lost if standing.value is not None else standing\n",
        "    return lost\n",
        BY_LEVEL,
    ),
    Break(
        "a high passed only above its level",
        OF_LEVEL,
        "    if level_m is not None and level_m >= limit_m - TOUCH_M:\n        is_sure = _reaches",
        "    if level_m is not None and level_m > limit_m + TOUCH_M:\n        is_sure = _reaches",
        BY_LEVEL,
    ),
    Break(
        "a level above all that can be raises no high",
        OF_LEVEL,
        "    if levels.above is not None:\n        is_sure = levels.sure_above",
        "    if levels.above is not None and level_m is not None:\n        is_sure = levels.sure_above",
        BY_LEVEL,
    ),
    Break(
        "a high alarm that returns at its limit",
        OF_LEVEL,
        "return known(level_m, level_m < limit_m - alarm.deadband, _suppressed(levels))",
        "return known(level_m, True, _suppressed(levels))",
        BY_LEVEL,
    ),
    Break(
        "a high that another gauge sees suppressed with the one in maintenance",
        OF_LEVEL,
        "        return active(level_m, reason, None if is_sure else levels.maintenance)\n    if levels.above",
        "        return active(level_m, reason, levels.maintenance)\n    if levels.above",
        BY_LEVEL,
    ),
    Break(
        "a dip taken for a gauge",
        LEVELS,
        "    by_sure = any(each.level_m is not None and each.maintenance is None for each in said)\n",
        "    by_sure = inventory.figures.level.value is not None\n",
        BY_LEVEL,
    ),
    Break(
        "a gauge above all that can be hidden by a dip",
        LEVELS,
        "if is_failed or is_dipped else _first(inventory)",
        "if is_failed else _first(inventory)",
        BY_LEVEL,
    ),
    Break(
        "a sheet that failed hides a high",
        LEVELS,
        "    is_failed = level.value is None and bool(level.reasons) and level.reasons[0].code is _FAILED\n",
        "    is_failed = False\n",
        BY_LEVEL,
    ),
    Break(
        "a tank that nobody watches judged",
        CONDITIONS,
        "    if reasons and reasons[0].code is _NOT_WATCHED:\n",
        "    if not reasons and inventory.figures.level.value is None:\n",
        BY_LEVEL,
    ),
    Break(
        "a fill above the volumes known taken for none",
        OF_LEVEL,
        "        if level_m <= tank.capacity.top_m:\n",
        "        if level_m <= 2.0 * tank.capacity.top_m:\n",
        BY_LEVEL,
    ),
    Break(
        "high-high near only when it is there",
        OF_LEVEL,
        "            if in_s >= limit_s:\n",
        "            if in_s >= 60.0:\n",
        BY_LEVEL,
    ),
    Break(
        "a tank of unknown rate taken for one that has time",
        OF_LEVEL,
        "    if course.rate.value is None:\n        return not_judged(suppressed)\n",
        "",
        BY_LEVEL,
    ),
    Break(
        "a rate of the greatest flow told as too fast",
        OF_VALUE,
        "    limit = FAST * greatest\n",
        "    limit = 0.9 * greatest\n",
        BY_VALUE,
    ),
    Break(
        "emptying taken for filling",
        OF_VALUE,
        "sight.tank.maximum_flow_out_m3_s, -1.0)",
        "sight.tank.maximum_flow_out_m3_s, 1.0)",
        BY_VALUE,
    ),
    Break(
        "water above the surface told as none",
        OF_VALUE,
        "    if value is None and by_probe:\n        value = _raw(given, None)\n",
        "",
        BY_VALUE,
    ),
    Break(
        "one element in maintenance suppresses the average",
        OF_VALUE,
        "            if found is None:\n                return None\n",
        "            if found is not None:\n                return found\n",
        BY_VALUE,
    ),
    Break(
        "an instrument that is silent told as failed too",
        OF_STATE,
        "(reason.code in _SILENT) is is_silent]",
        "is_silent or reason.code]",
        BY_STATE,
    ),
    Break(
        "elements left out of the failed instruments",
        SIGHT,
        "    bad += [each for each in given.elements if each.quality is _BAD]\n",
        "",
        BY_STATE,
    ),
    Break(
        "an alarm of movement that returns when nothing is known",
        OF_STATE,
        "    if found is None and (sight.course.motion is _UNKNOWN or sight.inventory.figures.level.value is None):\n",
        "    if found is None and sight.inventory.figures.level.value is None:\n",
        BY_STATE,
    ),
    Break(
        "a density without a date vouched for",
        OF_STATE,
        "    return so_or_not(entered.quality is not _GOOD, entered.reason or _NO_VALUE)\n",
        "    return so_or_not(entered.value is None, entered.reason or _NO_VALUE)\n",
        BY_STATE,
    ),
    Break(
        "a failed instrument that returns when it is not heard of",
        OF_STATE,
        "    if not meant and not is_silent and counted:\n",
        "    if not meant and not is_silent and not counted:\n",
        BY_STATE,
    ),
    Break(
        "a range of a gauge that ends below critical high passed over",
        "gateway/settings/watch/reach.py",
        "max(ends) >= level_m - TOUCH_M:\n",
        "max(ends) >= 0.9 * level_m:\n",
        SETTINGS,
    ),
    Break(
        "a deadband that never lets an alarm return taken",
        PLANS,
        "        if room is not None and alarm.deadband >= room:\n",
        "        if room is not None and alarm.deadband > 2.0 * room:\n",
        REFUSED,
    ),
    Break(
        "a true high delayed by the site file",
        CHECKS,
        "    if model.on_delay and kind in NEVER_DELAYED:\n",
        "    if model.on_delay and model.on_delay > 60.0 and kind in NEVER_DELAYED:\n",
        REFUSED,
    ),
    Break(
        "the tank's own alarms behind the site's",
        PLANS,
        "for block in (own, of_site) if block is not None]",
        "for block in (of_site, own) if block is not None]",
        SETTINGS,
    ),
    Break(
        "time to act never missed",
        TIME,
        "        if left_s < response_s - _ROUNDING_S:\n",
        "        if left_s < 0.5 * response_s:\n",
        SETTINGS,
    ),
    Break(
        "the time to high-high compared with the program's own response",
        PLANS,
        "_first(own and own.response, of_site and of_site.response, usual_s)\n        return response_s",
        "usual_s\n        return response_s",
        SETTINGS,
    ),
)
