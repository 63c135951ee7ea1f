"""Breaks of what the ledger makes of its rows: outboxes, retention, trends, the audit trail, and its commands."""

from tests.mutants.a_break import Break

__all__ = ["LEDGER_PART_BREAKS"]

LEDGER = "gateway/ledger/"
OUTBOX = ("tests/ledger/test_outbox.py",)
RETENTION = ("tests/ledger/test_retention.py",)
SUMMARIES = ("tests/ledger/test_summaries.py",)

LEDGER_PART_BREAKS: tuple[Break, ...] = (
    Break(
        "what was taken is forgotten at a rewind",
        f"{LEDGER}outbox.py",
        "        self._ready.extendleft(reversed(self._taken))\n",
        "",
        OUTBOX,
    ),
    Break(
        "what was taken comes back in the wrong order",
        f"{LEDGER}outbox.py",
        "extendleft(reversed(self._taken))",
        "extendleft(self._taken)",
        OUTBOX,
    ),
    Break(
        "a damaged entry waits for ever",
        f"{LEDGER}outbox.py",
        "            self._lost += 1\n            self._settled += 1\n",
        "            self._lost += 1\n",
        OUTBOX,
    ),
    Break(
        "a new destination begins with what comes",
        f"{LEDGER}cursors.py",
        "position, lost = known or (first - 1, 0)",
        "position, lost = known or (last, 0)",
        OUTBOX,
    ),
    Break(
        "a cursor behind the end stays there",
        f"{LEDGER}cursors.py",
        "    if is_beyond:\n",
        "    if is_beyond and known is None:\n",
        OUTBOX,
    ),
    Break(
        "a run without events hides the next with one",
        f"{LEDGER}blocks.py",
        "        if block != reached or events:\n",
        "        if block != reached:\n",
        OUTBOX,
    ),
    Break(
        "an undone transaction is counted",
        f"{LEDGER}blocks.py",
        "        if rows[0].position != self._last + 1:\n",
        "        if self._last < 0:\n",
        RETENTION,
    ),
    Break(
        "by age goes what a destination needs",
        f"{LEDGER}retention.py",
        " or position > needed_from:",
        ":",
        RETENTION,
    ),
    Break(
        "what is forced out is not counted",
        f"{LEDGER}cursors.py",
        "lost = lost + ? WHERE",
        "lost = lost + 0 * ? WHERE",
        RETENTION,
    ),
    Break(
        "a cursor in memory is not written before its entries go",
        f"{LEDGER}retention.py",
        "        move(connection, destination, position, now_ns)\n",
        "        pass\n",
        RETENTION,
    ),
    Break(
        "what a crash interrupted stands in no trend",
        f"{LEDGER}summary_rows.py",
        "mark = min((each.first for each in self._open.values()), default=self._last + 1) - 1",
        "mark = self._last",
        SUMMARIES,
    ),
    Break(
        "what was undone stands in no trend",
        f"{LEDGER}summary_rows.py",
        "            # The transaction before was undone.\n            self._take_back()\n",
        "            pass\n",
        SUMMARIES,
    ),
    Break(
        "a late minute replaces the one before it",
        f"{LEDGER}summary_rows.py",
        "summary = each.summary if known is None else merged(unpacked(known[0]), each.summary)",
        "summary = each.summary",
        SUMMARIES,
    ),
    Break(
        "what has just been kept is unpacked for its trends",
        f"{LEDGER}summary_rows.py",
        "if row.glance is None",
        "if row.body",
        SUMMARIES,
    ),
    Break(
        "a figure that was not known has a point",
        f"{LEDGER}trends.py",
        " and max(column.worst, default=0) <= _BAD",
        "",
        SUMMARIES,
    ),
    Break(
        "a part of the time has the points of whole blocks",
        f"{LEDGER}trends.py",
        "if from_s <= each[0] < until_s and each[1][_WORST] <= _BAD",
        "if each[1][_WORST] <= _BAD",
        SUMMARIES,
    ),
    Break(
        "a number beside Bad is trended",
        f"{LEDGER}summaries.py",
        "value if quality != _BAD and ",
        "value if ",
        SUMMARIES,
    ),
    Break(
        "the audit chain does not hold together",
        f"{LEDGER}audit.py",
        "head + before + body",
        "head + body",
        ("tests/ledger/test_audit.py",),
    ),
    Break(
        "a gateway's file is pruned under it",
        f"{LEDGER}pruning.py",
        '        connection.execute("PRAGMA locking_mode = EXCLUSIVE").fetchone()\n',
        "",
        ("tests/commands/test_ledger.py",),
    ),
    Break(
        "a record calculated otherwise passes",
        "gateway/commands/service/ledger_verify.py",
        "calculated_again(plan, record) != record.inventory",
        "calculated_again(plan, record).tank != record.inventory.tank",
        ("tests/commands/test_ledger.py",),
    ),
    Break(
        "seam: two processes write to one ledger",
        f"{LEDGER}opening.py",
        "        hold.take()\n",
        "",
        ("tests/ledger/test_hold.py",),
    ),
    Break(
        "seam: much that waits is not committed before its time",
        f"{LEDGER}writer.py",
        "if taken.is_due or (self._pending.is_heavy and self._again_s is None):",
        "if taken.is_due:",
        ("tests/ledger/test_ledger.py",),
    ),
    Break(
        "seam: what a clock that was set back left is the newer",
        "gateway/ledger/kept_watch.py",
        "if kept.steady_ns > steady_ns}",
        "if kept.utc_ns > steady_ns}",
        ("tests/ledger/test_kept_watch.py",),
    ),
    Break(
        "seam: another file begins without what is remembered",
        "gateway/ledger/kept.py",
        "            self._opened_again()\n            return\n",
        "            return\n",
        ("tests/ledger/test_kept_watch.py",),
    ),
    Break(
        "seam: an older copy brings back what was entered before",
        "gateway/ledger/papers.py",
        "            if number < self._number:\n",
        "            if number < 0:\n",
        ("tests/ledger/test_kept_watch.py",),
    ),
    Break(
        "seam: a reader whose turn is over speaks for the next",
        "gateway/outbox_turns.py",
        "        if not self._is_over():\n            self._turns.outbox.delivered(position, refused)",
        "        self._turns.outbox.delivered(position, refused)",
        ("tests/test_outbox_turns.py",),
    ),
    Break(
        "seam: the memory of the ledger goes before a newer one",
        "gateway/keeping.py",
        "key=lambda kept: kept.utc_ns",
        "key=lambda kept: -kept.utc_ns",
        ("tests/test_keeping.py",),
    ),
)
