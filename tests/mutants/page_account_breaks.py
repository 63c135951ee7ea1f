"""Breaks of the accounts on the page: sums, what is taken back, what is an estimate, what is old."""

from tests.mutants.a_break import Break

__all__ = ["PAGE_ACCOUNT_BREAKS"]

PARTS = "gateway/web/page/code/parts"
BALANCE = f"{PARTS}/balance_sums.js"
TICKET = f"{PARTS}/ticket_amounts.js"
SUMS = ("tests/page/test_account_sums.py",)
READ = ("tests/page/test_accountant.py",)

PAGE_ACCOUNT_BREAKS = (
    Break(
        "a gain on the page is that of the figures behind the rows",
        BALANCE,
        "gain: balance.gain.value === null ? null : added([[physical, 1], [book, -1]]),",
        "gain: of(balance.gain.value),",
        SUMS,
    ),
    Break(
        "own use is added to the book on the page",
        BALANCE,
        "    [own_use, -1],\n    [adjustments, 1],\n",
        "    [own_use, 1],\n    [adjustments, 1],\n",
        SUMS,
    ),
    Break(
        "what is not known of a balance is nothing on the page",
        BALANCE,
        "(value === null || value === undefined ? null : exactly(",
        '(value === null || value === undefined ? "0" : exactly(',
        SUMS,
    ),
    Break(
        "each line of a balance has decimals of its own",
        BALANCE,
        "exactly(balance.measure, value, { like }));",
        "exactly(balance.measure, value));",
        SUMS,
    ),
    Break(
        "what a ticket moved is rounded by itself on the page",
        TICKET,
        "if (isNear(difference, moved, 2)) moved = difference;",
        "if (isNear(difference, moved, -1)) moved = difference;",
        SUMS,
    ),
    Break(
        "a tank-to-tank ticket on the page counts what came out too",
        TICKET,
        'ticket.sides.filter((side) => ticket.kind !== "tank_to_tank" || side.direction === "into")',
        "ticket.sides.filter(() => true)",
        SUMS,
    ),
    Break(
        "a ticket in whose place another stands is not followed",
        TICKET,
        "while (standing !== undefined && by.has(standing)) standing = instead.get(standing);",
        "standing = instead.get(standing);",
        SUMS,
    ),
    Break(
        "sums of the page are of floats",
        f"{PARTS}/exact.js",
        "  const places = Math.max(0, ...parts.map(([text]) => placesIn(text)));\n",
        "  const places = Math.max(0, ...parts.map(([text]) => placesIn(text)));\n"
        "  return String(parts.reduce((sum, [text, sign]) => sum + sign * Number(text), 0));\n",
        SUMS,
    ),
    Break(
        "an estimate of the accounts is not marked on the page",
        f"{PARTS}/account_figures.js",
        'const doubtful = figure.quality === "Uncertain";',
        "const doubtful = false;",
        READ,
    ),
    Break(
        "an amount that takes another back does to the book on the page what that did",
        f"{PARTS}/amount_table.js",
        "return reverses === null ? sign : -sign;",
        "return sign;",
        READ,
    ),
    Break(
        "stock that is not heard any more stays as it was on the page",
        f"{PARTS}/document.js",
        'return document !== null && (isLate || error !== null || link === "silent" || link === "refused");',
        'return document !== null && error !== null && isLate && link === "refused";',
        READ,
    ),
)
