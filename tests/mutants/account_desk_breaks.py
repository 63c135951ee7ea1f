"""Breaks of how the accounts are kept, and of what holds before it is."""

from tests.mutants.a_break import Break

__all__ = ["ACCOUNT_DESK_BREAKS"]

ACCOUNTING = "gateway/desk/accounting.py"
DAYS = "gateway/desk/days.py"
PAPERS = "gateway/ledger/account_papers.py"
OVER_A_LEDGER = ("tests/account/test_accounting.py",)
AT_ONCE = ("tests/account/test_at_once.py",)
IN_THE_FILE = ("tests/ledger/test_account_papers.py",)

ACCOUNT_DESK_BREAKS: tuple[Break, ...] = (
    Break(
        "a transfer holds before it is on the disk",
        ACCOUNTING,
        "        self._held = Held(",
        "        self._book = book or self._book\n        self._held = Held(",
        OVER_A_LEDGER,
    ),
    Break(
        "sheets that come while the disk is slow are lost to the accounts",
        ACCOUNTING,
        "            self._waiting.add(record)\n",
        "            pass\n",
        OVER_A_LEDGER,
    ),
    Break(
        "what the file has given to another is given again and again",
        ACCOUNTING,
        "            self._times_read, self._is_beginning = 0, True\n",
        "            pass\n",
        OVER_A_LEDGER,
    ),
    Break(
        "a gap over a restart is not marked",
        ACCOUNTING,
        "        if is_first and (found :=",
        "        if False and (found :=",
        OVER_A_LEDGER,
    ),
    Break(
        "a day is closed by a clock that has just been set",
        DAYS,
        "            self._set_at_s = steady_s\n",
        "            pass\n",
        OVER_A_LEDGER,
    ),
    Break(
        "what comes late after a stop is never in a revision",
        DAYS,
        "                    for paper in await accounts.read(late_papers):\n",
        "                    for paper in ():\n",
        OVER_A_LEDGER,
    ),
    Break(
        "a transfer that is over is open again after a start",
        PAPERS,
        '        connection.execute("DELETE FROM open_transfers WHERE counted = ?", (number,))\n',
        '        connection.execute("DELETE FROM open_transfers WHERE counted = -1 AND ?", (number,))\n',
        IN_THE_FILE,
    ),
    Break(
        "numbers begin anew with another file",
        PAPERS,
        "            self._known = before if is_behind else found\n",
        "            self._known = found\n",
        IN_THE_FILE,
    ),
    Break(
        "two take a ticket back at once",
        "gateway/desk/acts.py",
        "        async with self._reversals:\n            await self._books.free_book()\n",
        "        if self._reversals:\n",
        AT_ONCE,
    ),
    Break(
        "what is kept while a day is closed is in no revision of it",
        DAYS,
        "            for paper in meanwhile:\n                self._note(paper)\n",
        "            del meanwhile\n",
        AT_ONCE,
    ),
    Break(
        "a tank without a sheet is of what it holds when the day is closed",
        DAYS,
        "        return self._accounts.products_at(day.end - timedelta(microseconds=1))\n",
        "        return self._accounts.products\n",
        AT_ONCE,
    ),
    Break(
        "the next amount is numbered by those in the file",
        "gateway/account/amounts/entering.py",
        "        return max([self.last_number, *(",
        "        return max([0, *(",
        AT_ONCE,
    ),
    Break(
        "where the last sheet of a day is damaged its tank has none",
        "gateway/ledger/account_reading.py",
        "        records |= _before_damaged(",
        "        _before_damaged(",
        AT_ONCE,
    ),
)
