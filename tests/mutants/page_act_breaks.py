"""Breaks of what people do on the page: what is typed, where a refusal stands, in which order alarms stand, and who
approves."""

from tests.mutants.a_break import Break

__all__ = ["PAGE_ACT_BREAKS"]

PARTS = "gateway/web/page/code/parts"
SECOND = "gateway/actions/second_person.py"
TYPED = ("tests/page/test_typed.py",)
PLACED = ("tests/page/test_refusals.py",)
WAITS = ("tests/actions/test_second_person.py",)
SEEN = ("tests/page_answers/test_acknowledged.py",)

PAGE_ACT_BREAKS = (
    Break(
        "a point between thousands is taken for a decimal one",
        f"{PARTS}/typed.js",
        'if (typed.includes(".")) return',
        'if (typed.includes(":")) return',
        TYPED,
    ),
    Break(
        "a decimal comma is sent as it is",
        f"{PARTS}/typed.js",
        'return { text: made(typed.replace(",", ".")) };',
        "return { text: made(typed) };",
        TYPED,
    ),
    Break(
        "an hour that comes twice is one instant",
        f"{PARTS}/zoned.js",
        "[-DAY_MS, 0, DAY_MS]",
        "[0]",
        TYPED,
    ),
    Break(
        "an hour that is not there is some instant",
        f"{PARTS}/zoned.js",
        "    .filter((ms) => wallOf(ms, zone) === wall.slice(0, 16))\n",
        "",
        TYPED,
    ),
    Break(
        "what is to be looked at stands first",
        f"{PARTS}/alarm_order.js",
        "{ now: 0, soon: 1, look: 2 }",
        "{ now: 2, soon: 1, look: 0 }",
        TYPED,
    ),
    Break(
        "alarms stand by the clock alone",
        f"{PARTS}/alarm_order.js",
        "    own.forEach((place, number) => (sorted[place] = raised[number]));\n",
        "",
        TYPED,
    ),
    Break(
        "what is hidden is nowhere",
        f"{PARTS}/alarm_order.js",
        "    groups[name]?.push(each);\n",
        '    if (name === "waiting" || name === "seen") groups[name].push(each);\n',
        TYPED,
    ),
    Break(
        "ten alarms are a flood",
        f"{PARTS}/alarm_order.js",
        "return count > FLOOD_ABOVE ? count : 0;",
        "return count >= FLOOD_ABOVE ? count : 0;",
        TYPED,
    ),
    Break(
        "a refusal stands by its whole key alone",
        f"{PARTS}/act_course.js",
        "key === end || key.endsWith(`.${end}`)",
        "key === end",
        PLACED,
    ),
    Break(
        "a refused sentence loses its second half",
        f"{PARTS}/act_course.js",
        'text: rest.join(": ") } : { field: null',
        "text: rest[0] } : { field: null",
        PLACED,
    ),
    Break(
        "one approves what he asked for",
        SECOND,
        "if isinstance(decision, Approve) and human_of(found.by) == human_of(by):",
        "if isinstance(decision, Approve) and found.by == by and False:",
        WAITS,
    ),
    Break(
        "the user of the machine is another than that of the page",
        SECOND,
        'return by.partition("@")[0].casefold()',
        "return by",
        WAITS,
    ),
    Break(
        "an acknowledgement is of whichever alarm there is",
        "gateway/site_alarms.py",
        "until, command.raised)",
        "until)",
        SEEN,
    ),
    Break(
        "which alarm was seen is not handed on",
        "gateway/actions/alarm_door.py",
        'action.why or "", duration_s, raised)',
        'action.why or "", duration_s)',
        SEEN,
    ),
)
