"""Breaks of the page: what passes for live, and numbers."""

from tests.mutants.a_break import Break

__all__ = ["PAGE_BREAKS"]

LIVE = "gateway/web/page/code/live.js"
HEARING = "gateway/web/page/code/hearing.js"
NUMBERS = "gateway/web/page/code/numbers.js"
HEARD = ("tests/page/test_hearing.py",)
COUNTED = ("tests/page/test_numbers.py",)

PAGE_BREAKS = (
    Break(
        "a silent gateway passes for live for a minute",
        LIVE,
        "export const SILENCE_MS = 8_000;",
        "export const SILENCE_MS = 60_000;",
        ("tests/page/test_live.py",),
    ),
    Break(
        "what slept is shown as it stood",
        LIVE,
        '  unseenSince ??= now();\n  doubt("starting");\n',
        "  unseenSince ??= now();\n",
        ("tests/page/test_live.py",),
    ),
    Break(
        "a row is live for as long as the gateway is heard",
        LIVE,
        "Boolean(each) && !isOver(each.valid_until);",
        "Boolean(each);",
        ("tests/page/test_live_rows.py",),
    ),
    Break(
        "a tank that is gone stays on the page",
        LIVE,
        "    for (const [tag, each] of rows) if (!(tag in view.tanks)) each.set(null);\n",
        "",
        ("tests/page/test_live_rows.py",),
    ),
    Break(
        "the site of the gateway before is kept",
        LIVE,
        "function askAll() {\n  loadSite();\n",
        "function askAll() {\n  if (site.value === null) loadSite();\n",
        ("tests/page/test_live.py",),
    ),
    Break(
        "a fault of the page is not said",
        "gateway/web/page/code/parts/strip.js",
        'failed ? "strip.failed" : ofLink',
        "ofLink",
        ("tests/page/test_live.py",),
    ),
    Break(
        "the clock that says better is believed",
        HEARING,
        "return Math.max(...CLOCKS.map(old));",
        "return Math.min(...CLOCKS.map(old));",
        HEARD,
    ),
    Break("what lay in a buffer passes for new", HEARING, " + this.#late[clock]", "", HEARD),
    Break("the first answer leaves no doubt", HEARING, " + this.#doubt[clock]", "", HEARD),
    Break(
        "clocks that part pass for a slow link",
        HEARING,
        "const DRIFT = 1e-4;",
        "const DRIFT = 0;",
        HEARD,
    ),
    Break(
        "the page rounds room up",
        NUMBERS,
        "const isMore = down ? negative && /[1-9]/.test(rest) : rest",
        "const isMore = rest",
        COUNTED,
    ),
    Break(
        "a barrel of 43 gallons",
        NUMBERS,
        "const M3_A_BARREL = 0.158987294928;",
        "const M3_A_BARREL = 0.1627727;",
        COUNTED,
    ),
    Break(
        "no value is zero",
        "gateway/web/page/code/parts/figure.js",
        '    return html`<span class="figure"><span class="novalue" ',
        '    return html`<span class="figure">0.000 m <span hidden ',
        ("tests/page/test_questions.py",),
    ),
    Break(
        "quiet text is too pale",
        "gateway/web/page/style/tokens.css",
        "--quiet: #5c5b57;",
        "--quiet: #8c8b87;",
        ("tests/page/test_files.py",),
    ),
)
