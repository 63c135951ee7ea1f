"""Breaks of what outlives a sheet: the memory over a restart, and the record that carries all."""

from tests.mutants.a_break import Break

__all__ = ["RECORD_BREAKS"]

KEPT = "gateway/kept_memory.py"
REMEMBERED = "gateway/calculation/remembered.py"
GOING_ON = "gateway/going_on.py"
FILE = "gateway/process/memory_file.py"
RESTART = ("tests/test_kept_memory.py", "tests/test_restart.py")
RECORD = ("tests/test_tank_record.py",)
PLAIN = ("tests/test_plain_form.py",)
ON_DISK = ("tests/test_memory_file.py",)

RECORD_BREAKS: tuple[Break, ...] = (
    Break(
        "minus zero is written as zero",
        "gateway/plain_code.py",
        " or isinstance({place}, float))",
        ")",
        PLAIN,
    ),
    Break(
        "a number that JSON lacks is written as it is",
        "gateway/plain_parts.py",
        " < {value} < {bound.name(math.inf)} else",
        " < {bound.name(math.inf)} else",
        PLAIN,
    ),
    Break(
        "what may change is written once", "gateway/plain_parts.py", "in _RECURRING and self.loose:", "in ():", PLAIN
    ),
    Break(
        "times of a process that has ended pass for times of this one",
        KEPT,
        "_FORM.moved(memory, (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0))",
        "_FORM.moved(memory, -(passed_s or 0.0))",
        RESTART,
    ),
    Break(
        "while nobody watched no time passed",
        KEPT,
        "_FORM.moved(memory, (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0))",
        "_FORM.moved(memory, (steady_ns - kept.steady_ns) / 1e9)",
        RESTART,
    ),
    Break(
        "a last good value of unknown age stands in",
        KEPT,
        "memory._replace(figures=None, last_good=MappingProxyType({}))",
        "memory._replace(figures=None)",
        RESTART,
    ),
    Break(
        "a clock that was set back says how long nobody watched",
        KEPT,
        "    if not is_told or passed_s < -_SET_BACK_S:\n",
        "    if not is_told:\n",
        RESTART,
    ),
    Break(
        "what is remembered of another tank is believed of this one",
        GOING_ON,
        "if known.plan == tank.ids.memory:",
        "if True:",
        RESTART,
    ),
    Break(
        "a long pause ends nothing",
        GOING_ON,
        "passed_s is None or passed_s <= tank.level_stale_s",
        "passed_s is not None",
        RESTART,
    ),
    Break(
        "what was found against time is in no record",
        REMEMBERED,
        "{str(doubt): reason for doubt, reason in judgements.items()}",
        "{}",
        RECORD,
    ),
    Break("what stood in is in no record", REMEMBERED, "    known = dict(last)\n", "    known = {}\n", RECORD),
    Break(
        "a record says nothing of the clock's doubt",
        "gateway/binding.py",
        "_clock_doubt(now) if is_impossible(now_ns) else None",
        "None",
        RECORD,
    ),
    Break(
        "another register map is no other plan",
        "gateway/plan_id.py",
        "_plain(period_s), _plain(feeding)]",
        "_plain(period_s)]",
        ("tests/test_plan_id.py",),
    ),
    Break(
        "the memory may be torn by a power cut",
        "gateway/files.py",
        "                os.fchmod(descriptor, mode)\n            os.fsync(descriptor)\n",
        "                os.fchmod(descriptor, mode)\n",
        ON_DISK,
    ),
    Break(
        "half of a memory is believed",
        FILE,
        "    if not unpacking.eof:\n",
        "    if not data:\n",
        ON_DISK,
    ),
)
