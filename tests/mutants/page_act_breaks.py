"""Breaks of what people do on the page: what is typed, where a refusal stands, in which order alarms stand, and who
approves."""

from tests.mutants.a_break import Break

__all__ = ["PAGE_ACT_BREAKS"]

PARTS = "gateway/web/page/code/parts"
SECOND = "gateway/actions/second_person.py"
TWO = "gateway/two_people.py"
TYPED = ("tests/page/test_typed.py",)
PLACED = ("tests/page/test_refusals.py",)
WAITS = ("tests/actions/test_second_person.py",)
OF_TWO = ("tests/test_two_people.py",)
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
        "    (groups[name] ?? groups.waiting).push(each);\n",
        '    if (name === "waiting" || name === "seen") groups[name].push(each);\n',
        TYPED,
    ),
    Break(
        "ten alarms are a flood",
        f"{PARTS}/flood.js",
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
        "if isinstance(decision, Approve) and (why_not",
        "if False and (why_not",
        WAITS,
    ),
    Break(
        "one approves who was made for it",
        TWO,
        "each.number > count and",
        "False and",
        OF_TWO,
    ),
    Break(
        "who was made by the one who was made for it counts as another",
        TWO,
        "reached = reached | more",
        "more = set()",
        OF_TWO,
    ),
    Break(
        "whoever came in from the terminal counts as another",
        TWO,
        "return _is_terminal(by) or human_of(by) in reached",
        "return human_of(by) in reached",
        OF_TWO,
    ),
    Break(
        "whoever is called root is taken for the root of the machine",
        TWO,
        "(_is_terminal(each.by) or human_of(each.to) != human_of(each.by))",
        "human_of(each.to) != human_of(each.by)",
        OF_TWO,
    ),
    Break(
        "a file of people that was put back counts from where it was",
        TWO,
        "max(count_of(given) + 1, int(at * _PER_S))",
        "count_of(given) + 1",
        OF_TWO,
    ),
    Break(
        "how far temperatures are apart is told as how warm it is",
        "gateway/web/page/code/recognised.js",
        "(isApart && celsiusApart(value)) || value",
        "value",
        ("tests/page/test_sentences_back.py",),
    ),
    Break(
        "nobody is told who invited whom",
        TWO,
        "        if way:\n",
        "        if False:\n",
        OF_TWO,
    ),
    Break(
        "a new password by a code of another is not kept",
        "gateway/web/access/access.py",
        "(name,), given=given)",
        "(name,))",
        ("tests/web/access/test_given.py",),
    ),
    Break(
        "a role that another gave is not kept",
        "gateway/web/access/administration.py",
        "(name,), given=given)",
        "(name,))",
        ("tests/web/access/test_given.py",),
    ),
    Break(
        "the user of the machine is another than that of the page",
        TWO,
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
