"""Breaks of what is asked for and done over HTTP: each would do what was only to be tried, hide what was wrong, or tell
somebody what is not for him."""

from tests.mutants.a_break import Break

__all__ = ["PAGE_ANSWER_BREAKS"]

TRENDS = "gateway/page_answers/trends.py"
PARTS = "gateway/page_answers/parts.py"
HISTORIES = "gateway/page_answers/histories.py"
REPORTS = "gateway/page_answers/reports.py"
ACTS = "gateway/page_answers/acts.py"
ROUTES = "gateway/web/interface/routes.py"
APPROVING = "gateway/approving.py"
OF_TRENDS = ("tests/page_answers/test_trends.py",)
OF_ACTS = ("tests/page_answers/test_acts.py",)
OF_HISTORIES = ("tests/page_answers/test_histories.py",)
OF_REPORTS = ("tests/page_answers/test_reports.py",)
OF_APPROVAL = ("tests/page_answers/test_second_person.py",)
OF_SHEETS = ("tests/page_answers/test_sheets.py", "tests/page_answers/test_tank.py")

PAGE_ANSWER_BREAKS: tuple[Break, ...] = (
    Break(
        "the best quality of a step is told, not the worst",
        TRENDS,
        "                max(before.worst, worst),\n",
        "                min(before.worst, worst),\n",
        OF_TRENDS,
    ),
    Break(
        "a value that was Bad is drawn on from before",
        TRENDS,
        "                last,\n",
        "                before.last if last is None else last,\n",
        OF_TRENDS,
    ),
    Break(
        "what came late is in no small trend",
        TRENDS,
        "before.of[0] // _GLANCE_STEP_S * _GLANCE_STEP_S - _LATE_S)",
        "before.of[0] // _GLANCE_STEP_S * _GLANCE_STEP_S + 600)",
        OF_TRENDS,
    ),
    Break(
        "without a ledger nothing has happened",
        PARTS,
        "            raise _unread(_NO_LEDGER, _WITH_LEDGER)\n",
        "            return []  # type: ignore[return-value]\n",
        OF_HISTORIES,
    ),
    Break(
        "whoever waits for a disk that hangs is counted by nobody",
        PARTS,
        "        self._reads.append(future)\n",
        "",
        OF_HISTORIES,
    ),
    Break(
        "a page of events leaves one out",
        "gateway/ledger/newest_events.py",
        "return EventsFound(tuple(found), unreadable, each[0] + 1)",
        "return EventsFound(tuple(found), unreadable, each[0])",
        OF_HISTORIES,
    ),
    Break(
        "a viewer reads who changed what",
        HISTORIES,
        "if not may(call.person.role, READ_CHANGES):",
        "if False:",
        OF_HISTORIES,
    ),
    Break(
        "a viewer has who changed what as a file",
        REPORTS,
        "if kind == _OF_CHANGES and call.person is not None and not may(call.person.role, READ_CHANGES):",
        "if False:",
        OF_REPORTS,
    ),
    Break(
        "as many reports are made at once as are asked for",
        REPORTS,
        "        if self._waiting >= _MOST_WAITING:\n",
        "        if False:\n",
        OF_REPORTS,
    ),
    Break(
        "what was only to be tried is done to an alarm",
        "gateway/pipeline.py",
        "        if only_tried:\n            return\n",
        "",
        OF_ACTS,
    ),
    Break(
        "what was only to be tried is kept in the accounts",
        "gateway/desk/accounting.py",
        "        if only_tried:\n            return make(await self.free_book())[1]\n",
        "",
        OF_ACTS,
    ),
    Break(
        "an entry is tried on the book itself",
        "gateway/acting.py",
        "        book = self._book.copied()\n",
        "        book = self._book\n",
        OF_ACTS,
    ),
    Break(
        "somebody who may not acts",
        ACTS,
        "    if not (may_ask(call.person.role, call.body) and may_ask(call.person.role, meant)):\n",
        "    if False:\n",
        OF_ACTS,
    ),
    Break(
        "a body has no end",
        ROUTES,
        "        if length > largest_bytes:\n",
        "        if False:\n",
        OF_ACTS,
    ),
    Break(
        "a restart forgets what waits for a second person",
        APPROVING,
        "        if times != self._times_known:\n",
        "        if False:\n",
        OF_APPROVAL,
    ),
    Break(
        "what is approved waits on after a restart",
        APPROVING,
        "        trouble = await self._written(waiting, _APPROVED, asked, person, None, decision.why)\n",
        '        trouble = ""\n',
        OF_APPROVAL,
    ),
    Break(
        "a tank that there is not is a fault",
        PARTS,
        "        except KeyError:\n",
        "        except LookupError and ValueError:\n",
        OF_SHEETS,
    ),
)
