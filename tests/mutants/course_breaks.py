"""Breaks of the watch's course: rate, motion, times to limits, what nobody announced."""

from tests.mutants.a_break import Break

__all__ = ["COURSE_BREAKS"]

LINE = "gateway/watch/course/line.py"
WINDOW = "gateway/watch/course/window.py"
RATES = "gateway/watch/course/rates.py"
MOTION = "gateway/watch/course/motion.py"
TIMES = "gateway/watch/course/limit_times.py"
UNSCHEDULED = "gateway/watch/course/unscheduled.py"
FOLLOWED = "gateway/watch/course/followed.py"
HOLDING = "gateway/watch/course/holding.py"
ACTIVITY = "gateway/watch/course/activity.py"
CONTENTS = "gateway/watch/course/contents.py"
FOLD = "gateway/watch/course/fold.py"
RATE = ("tests/watch/course/test_rates.py",)
MOVED = ("tests/watch/course/test_unscheduled.py",)
COURSE = ("tests/watch/course/test_course.py",)
PROPERTIES = ("tests/watch/course/test_course_properties.py",)

COURSE_BREAKS: tuple[Break, ...] = (
    Break(
        "net rate of the level told as that of the volume",
        LINE,
        "slope_m3_s = sum(map(mul, apart, volumes)) / spread_s2",
        "slope_m3_s = slope_m_s",
        RATE,
    ),
    Break(
        "noise of a short line not its own",
        LINE,
        "noise_m = max(least_m, seen_m, min(usual_m, _MOST * least_m))",
        "noise_m = least_m",
        PROPERTIES,
    ),
    Break(
        "a mean over two flows told as the rate",
        WINDOW,
        "if before.line.through > 2 and abs(off) > _LEFT:",
        "if False:",
        RATE,
    ),
    Break("one spike begins another line", WINDOW, "_LEAVE = 3", "_LEAVE = 1", RATE),
    Break(
        "spikes that do not follow from one another begin another line",
        WINDOW,
        "        if line.is_unsteady:\n",
        "        if False:\n",
        RATE,
    ),
    Break("a line across a gap", WINDOW, "GAP_PART = 0.5", "GAP_PART = 50.0", RATE),
    Break("a line across two gauges", WINDOW, "or before.level is not now.level:", "or False:", RATE),
    Break("a doubted jump taken for a level", WINDOW, "        if _JUMPS in codes:\n", "        if False:\n", RATE),
    Break(
        "a rate of a level that stands still while liquid flows",
        RATES,
        "    if frozen is not None:\n",
        "    if False:\n",
        RATE,
    ),
    Break(
        "a rate of a level that is no longer read",
        RATES,
        "    if age_s <= GAP_PART * window_s:\n",
        "    if True:\n",
        RATE,
    ),
    Break(
        "a rate over less than half of the window shown Good",
        RATES,
        "    if span_s < window_s / 2.0:\n",
        "    if False:\n",
        RATE,
    ),
    Break(
        "a doubted level in the window forgotten",
        RATES,
        "if window.doubt is not None and level.quality is _GOOD:",
        "if False:",
        RATE,
    ),
    Break("a rate of two readings", RATES, "_LEAST_PART = 0.2\n", "_LEAST_PART = 0.02\n", RATE),
    Break(
        "at rest said of a window that has just begun",
        MOTION,
        "        return _REST if is_half_full else _UNKNOWN\n",
        "        return _REST\n",
        COURSE,
    ),
    Break(
        "the step of a gauge taken for a movement",
        MOTION,
        "_LEAST_M = 0.0035\n",
        "_LEAST_M = 0.0002\n",
        MOVED,
    ),
    Break("a slow flow not taken for a movement", MOTION, "_STEPS = 2.0", "_STEPS = 60.0", RATE),
    Break(
        "time to a limit from where the level was read on",
        TIMES,
        "missing_m3 / rate_m3_s - age_s)",
        "missing_m3 / rate_m3_s)",
        RATE,
    ),
    Break(
        "time to a limit by the room to another",
        TIMES,
        "tank.capacity.volume(limit_m) - volume_m3",
        "tank.capacity.volume(limits.maximum_working_m or limit_m) - volume_m3",
        COURSE,
    ),
    Break(
        "a time told while the level moves against the flow",
        FOLD,
        "and AlarmKind.WRONG_WAY not in findings:",
        ":",
        RATE,
    ),
    Break(
        "the observed volume compared, which warming changes",
        CONTENTS,
        "quantity, per_m3 = figures.gsv, _times(figures.ctl, figures.cpl)",
        "quantity, per_m3 = figures.tov, _times(figures.ctl, figures.cpl)",
        COURSE,
    ),
    Break(
        "vapour left out of what a pressurised tank holds",
        CONTENTS,
        "quantity, per_m3 = figures.total_mass,",
        "quantity, per_m3 = figures.mass,",
        MOVED,
    ),
    Break(
        "a tank armed at once",
        UNSCHEDULED,
        "    return now_s - moving.since_s >= plan.arms_after_s\n",
        "    return True\n",
        MOVED,
    ),
    Break(
        "a finding that ripple ends",
        UNSCHEDULED,
        "    if off < _ENDS_WITHIN * band:\n",
        "    if off < band:\n",
        MOVED,
    ),
    Break(
        "a wander of the gauge taken for a movement",
        UNSCHEDULED,
        "_TRACKS_S = 86_400.0",
        "_TRACKS_S = 864_000_000.0",
        MOVED,
    ),
    Break("a slow loss followed and never found", UNSCHEDULED, "_ALL_IN_ALL = 2.0", "_ALL_IN_ALL = 200.0", MOVED),
    Break(
        "a finding that never ends",
        UNSCHEDULED,
        "_STANDS_STILL = 4.0",
        "_STANDS_STILL = 4000.0",
        MOVED,
    ),
    Break(
        "a finding that ends before its movement",
        UNSCHEDULED,
        "_ENDED_PART = 1.0 / 3.0",
        "_ENDED_PART = 0.0",
        PROPERTIES,
    ),
    Break(
        "what was not watched is not told",
        UNSCHEDULED,
        "armed = armed._replace(unwatched_s=armed.unwatched_s + gap_s)",
        "pass",
        MOVED,
    ),
    Break(
        "a dip of the water taken for a movement",
        FOLLOWED,
        "    if before is None or basis == before.basis:\n",
        "    if True:\n",
        MOVED,
    ),
    Break(
        "one spike taken for a movement", HOLDING, "if window.left.times and followed", "if False and followed", MOVED
    ),
    Break(
        "a water draw called thermal",
        ACTIVITY,
        "        if off_m < 0.0 and drawn_m3 >= half_m * quiet.area_m2:\n",
        "        if False:\n",
        MOVED,
    ),
    Break(
        "any change of level called thermal",
        ACTIVITY,
        "abs(off) <= _UNEXPLAINED * abs(off_m) * per_m",
        "True",
        MOVED,
    ),
)
