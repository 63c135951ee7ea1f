"""Breaks of the accounts: days, their close, balances, amounts, stock and uncertainties."""

from tests.mutants.a_break import Break

__all__ = ["BALANCE_BREAKS"]

BOUNDARY = "gateway/account/days/boundary.py"
SHEETS = "gateway/account/days/sheets.py"
CLOSE = "gateway/account/days/close.py"
DIFFERENCES = "gateway/account/days/differences.py"
DUE = "gateway/account/days/due.py"
MOVEMENTS = "gateway/account/balance/movements.py"
BALANCE = "gateway/account/balance/balance.py"
STOCKED = "gateway/account/balance/stocked.py"
SHOWN = "gateway/account/balance/shown.py"
ENTERING = "gateway/account/amounts/entering.py"
FILE = "gateway/account/amounts/file.py"
CELLS = "gateway/account/amounts/cells.py"
STOCK = "gateway/account/stock.py"
UNCERTAINTY = "gateway/account/uncertainty.py"
OF_BOUNDARY = ("tests/account/days/test_boundary.py",)
OF_CLOSE = ("tests/account/days/test_close.py",)
OF_DUE = ("tests/account/days/test_due.py",)
OF_BALANCE = ("tests/account/balance/test_balance.py",)
OF_SHOWN = ("tests/account/balance/test_shown.py",)
OF_ENTERING = ("tests/account/amounts/test_entering.py",)
OF_FILE = ("tests/account/amounts/test_file.py",)
OF_STOCK = ("tests/account/test_stock.py",)
OF_UNCERTAINTY = ("tests/account/test_uncertainty.py",)
OF_LATE = ("tests/account/test_late_documents.py",)
OF_MONTH = ("tests/account/test_month.py",)

BALANCE_BREAKS: tuple[Break, ...] = (
    Break(
        "a document counted beside the ticket of its own number",
        ENTERING,
        "        if _same_reference(ticket.reference, command.reference) and is_of(command, ticket):\n",
        "        if False:\n",
        OF_ENTERING,
    ),
    Break(
        "every day has 24 hours",
        BOUNDARY,
        "    return Day(on.isoformat(), boundary(plan, on), boundary(plan, on + _ONE))\n",
        "    return Day(on.isoformat(), boundary(plan, on), boundary(plan, on) + _ONE)\n",
        OF_BOUNDARY,
    ),
    Break(
        "the boundary of the day is at UTC",
        BOUNDARY,
        "tzinfo=plan.zone).astimezone(UTC)",
        "tzinfo=UTC).astimezone(UTC)",
        OF_BOUNDARY,
    ),
    Break(
        "a sheet after the end of the day closes it",
        SHEETS,
        "for sheet in sheets if sheet.instant <= day.end)",
        "for sheet in sheets)",
        OF_CLOSE,
    ),
    Break(
        "a day closed by a sheet of long before",
        SHEETS,
        "total_seconds() > plan.closing_age_s:",
        "total_seconds() > 100.0 * plan.closing_age_s:",
        OF_CLOSE,
    ),
    Break(
        "a moving tank not marked at the close",
        SHEETS,
        "sheet.motion in (Motion.FILLING, Motion.EMPTYING)",
        "sheet.motion is Motion.EMPTYING",
        OF_CLOSE,
    ),
    Break(
        "a day opens from the first revision of the day before",
        CLOSE,
        "found[close.day].revision < close.revision:",
        "found[close.day].revision > close.revision:",
        ("tests/account/test_days_machine.py", *OF_CLOSE),
    ),
    Break(
        "a revision where nothing differs",
        CLOSE,
        "    if not different:\n",
        "    if False:\n",
        OF_CLOSE,
    ),
    Break(
        "late documents make no revision",
        DIFFERENCES,
        "        if _said(one) != _said(other):\n",
        "        if False:\n",
        OF_DUE,
    ),
    Break(
        "the month opens at each day anew",
        CLOSE,
        "first = of_month[0].begin if of_month else day.begin",
        "first = day.begin",
        OF_BALANCE,
    ),
    Break(
        "a tolerance of a day",
        CLOSE,
        "    balances = _balances(opening, day.begin, day, tanks, measures, boundaries, books)\n",
        "    balances = tuple(\n"
        "        each._replace(tolerance=tolerance_of(plan.tolerance, each, None))\n"
        "        for each in _balances(opening, day.begin, day, tanks, measures, boundaries, books)\n"
        "    )\n",
        OF_BALANCE,
    ),
    Break(
        "the day after late data is not closed again",
        DUE,
        "day_after(plan, day_of(plan, end))",
        "day_of(plan, end)",
        OF_DUE,
    ),
    Break("a year of closes in one go", DUE, "        if len(found) == AT_ONCE:\n", "        if False:\n", OF_DUE),
    Break(
        "a document counted beside its ticket",
        MOVEMENTS,
        "        if document is None:\n            found +=",
        "        if True:\n            found +=",
        OF_BALANCE,
    ),
    Break(
        "a document of a ticket counted again by itself",
        MOVEMENTS,
        "if amount.number not in of_tickets and",
        "if",
        OF_BALANCE,
    ),
    Break(
        "a ticket that was taken back counted",
        MOVEMENTS,
        "if ticket.reverses is None and ticket.number not in reversed_}",
        "if ticket.reverses is None}",
        OF_BALANCE,
    ),
    Break(
        "an amount that was taken back counted",
        MOVEMENTS,
        "if amount.reverses is None and amount.number not in reversed_}",
        "if amount.reverses is None}",
        OF_BALANCE,
    ),
    Break(
        "a ticket over midnight whole on both days",
        MOVEMENTS,
        "        if leg.opening.instant < end <= instant and",
        "        if False and leg.opening.instant < end <= instant and",
        OF_BALANCE,
    ),
    Break(
        "a transfer with a ticket counted twice",
        MOVEMENTS,
        "        if transfer.number not in have_ticket:\n",
        "        if True:\n",
        ("tests/account/balance/test_movements.py",),
    ),
    Break(
        "a transfer from tank to tank counted as a receipt",
        MOVEMENTS,
        "            if products > 1 and direction is Direction.INTO:\n",
        "            if direction is Direction.INTO:\n",
        OF_BALANCE,
    ),
    Break(
        "a movement that nobody confirmed in the book",
        BALANCE,
        "[each for each in of_product if not each.is_proposed]",
        "of_product",
        OF_BALANCE,
    ),
    Break(
        "a tank without a sheet taken for empty",
        BALANCE,
        "    if lacking:\n",
        "    if False:\n",
        OF_CLOSE,
    ),
    Break(
        "own use added to the book",
        BALANCE,
        "    AmountKind.OWN_USE: -1.0,\n",
        "    AmountKind.OWN_USE: 1.0,\n",
        OF_CLOSE,
    ),
    Break(
        "tolerance without its fixed part",
        BALANCE,
        "abs(balance.throughput.value) + fixed",
        "abs(balance.throughput.value)",
        OF_BALANCE,
    ),
    Break("a tolerance of 10 %", "gateway/account/plan.py", "= 0.01\n", "= 0.1\n", OF_BALANCE),
    Break(
        "a stock with a moving tank told as Good",
        STOCKED,
        "frozenset({ReasonCode.MOVING, ReasonCode.CLOCK_UNTRUSTED})",
        "frozenset({ReasonCode.CLOCK_UNTRUSTED})",
        OF_CLOSE,
    ),
    Break(
        "a gain that does not follow from the lines above it",
        SHOWN,
        "gain = None if balance.gain.value is None else _sum((physical, 1), (book, -1))",
        "gain = line(balance.gain)",
        OF_SHOWN,
    ),
    Break(
        "an amount of the future taken in",
        ENTERING,
        "    if command.instant > now + _AHEAD:\n",
        "    if False:\n",
        OF_ENTERING,
    ),
    Break(
        "a document taken in twice",
        ENTERING,
        '    if earlier is not None:\n        raise AmountRefusedError(\n            "reference"',
        '    if False:\n        raise AmountRefusedError(\n            "reference"',
        OF_ENTERING,
    ),
    Break(
        "a second document of one ticket",
        ENTERING,
        "    if number in facts.documents:\n",
        "    if False:\n",
        OF_ENTERING,
    ),
    Break(
        "an amount on another basis than the book",
        ENTERING,
        "    if command.measure != wanted:\n",
        "    if False:\n",
        OF_ENTERING,
    ),
    Break(
        "an amount taken back twice",
        ENTERING,
        '    if earlier is not None:\n        raise AccountRefusedError(f"{wrong.key} was',
        '    if False:\n        raise AccountRefusedError(f"{wrong.key} was',
        OF_ENTERING,
    ),
    Break(
        "half a file taken in",
        FILE,
        "    if mistakes:\n        raise AmountFileRefusedError(sorted(mistakes))\n    told",
        "    if mistakes and not taken:\n        raise AmountFileRefusedError(sorted(mistakes))\n    told",
        OF_FILE,
    ),
    Break(
        "what was taken back comes in again by its file",
        FILE,
        "        if amount.reverses is None:\n",
        "        if amount.reverses is None and amount.number not in {each.reverses for each in amounts}:\n",
        OF_FILE,
    ),
    Break(
        "1,234 read as 1.234",
        CELLS,
        'if is_open and mark == "," and sign is not DecimalSign.COMMA:',
        "if False:",
        OF_FILE,
    ),
    Break(
        "an hour that clocks showed twice taken for the first",
        CELLS,
        "    if either[0].utcoffset() != either[1].utcoffset():\n",
        "    if False:\n",
        OF_FILE,
    ),
    Break(
        "an old sheet in the live stock",
        STOCK,
        "> plan.closing_age_s:",
        "> 1e9:",
        OF_STOCK,
    ),
    Break(
        "a stock that is not whole shown without a mark",
        STOCK,
        "    reasons = (*missing, *doubts)\n",
        "    reasons = doubts\n",
        OF_STOCK,
    ),
    Break(
        "the errors of two gaugings of one tank taken for independent",
        UNCERTAINTY,
        "    return together(((1.0, closing), (-1.0, opening)))\n",
        "    return together(((1.0, closing), (1.0, opening)))\n",
        OF_UNCERTAINTY,
    ),
    Break(
        "the temperature left out of what is uncertain",
        UNCERTAINTY,
        "-value * expansion * using.temperature_k\n",
        "0.0 * value * expansion * using.temperature_k\n",
        OF_UNCERTAINTY,
    ),
    Break(
        "uncertainties added up by themselves",
        UNCERTAINTY,
        "    return sqrt(fsum(part * part for part in budget.values()))\n",
        "    return fsum(abs(part) for part in budget.values())\n",
        (*OF_UNCERTAINTY, *OF_MONTH),
    ),
    Break("an uncertainty of k = 1 told as k = 2", UNCERTAINTY, "COVERAGE = 2.0", "COVERAGE = 1.0", OF_UNCERTAINTY),
    Break(
        "the day of a ticket not closed again for its late document",
        "gateway/desk/days.py",
        '    PaperKind.AMOUNT: ("ticket",),\n',
        "    PaperKind.AMOUNT: (),\n",
        OF_LATE,
    ),
    Break(
        "a document counted in its own month beside its ticket's",
        MOVEMENTS,
        "amount.ticket is not None and amount.ticket not in numbers",
        "False",
        ("tests/account/balance/test_movements.py",),
    ),
    Break(
        "a day that begins before the one before it ended",
        CLOSE,
        "        day = Day(day.name, before.end, day.end)\n",
        "        pass\n",
        OF_CLOSE,
    ),
    Break(
        "a later revision of other hours than the first",
        CLOSE,
        "        day = Day(day.name, last.begin, last.end)\n",
        "        pass\n",
        OF_CLOSE,
    ),
)
