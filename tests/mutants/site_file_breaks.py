"""Breaks of the site file as people change it on the page."""

from tests.mutants.a_break import Break

__all__ = ["SITE_FILE_BREAKS"]

DESK = "gateway/site_desk/desk.py"
ANSWERS = "gateway/site_desk/answers.py"
REPLACING = "gateway/site_desk/replacing.py"
CHECKING = "gateway/site_desk/checking.py"
FIGURES = "gateway/site_desk/figures.py"
CHANGING = ("tests/site_desk/test_changing.py",)
CHECKED = ("tests/site_desk/test_checking.py",)
KILLED = ("tests/site_desk/test_killed.py",)

SITE_FILE_BREAKS: tuple[Break, ...] = (
    Break(
        "whoever proposed a site file approves it too",
        DESK,
        "        if why_not := in_the_way(",
        "        if False and in_the_way(",
        CHANGING,
    ),
    Break(
        "what somebody proposed who has left is approved",
        DESK,
        'if not acting.still_asks(proposal.by, {"action": SITE_FILE}):',
        "if False:",
        CHANGING,
    ),
    Break(
        "whoever was signed out while it was checked has it done",
        "gateway/process/standing.py",
        "    if not still():\n",
        "    if False:\n",
        CHANGING,
    ),
    Break(
        "another text than the one that was looked at is approved",
        ANSWERS,
        'if proposal.sha256 != _text(body, "sha256"):',
        "if False:",
        CHANGING,
    ),
    Break(
        "what was changed on the machine meanwhile is written over",
        REPLACING,
        "if sha256_of(present) != proposal.based_on:",
        "if False:",
        CHANGING,
    ),
    Break(
        "a part of the site is another than when it was proposed",
        DESK,
        "        if others:\n",
        "        if False:\n",
        CHANGING,
    ),
    Break(
        "a file that could not be taken over stays where it is",
        DESK,
        "                if step == Step.REFUSED:\n",
        "                if False:\n",
        CHANGING,
    ),
    Break(
        "a reload comes between a change and its being taken over",
        "gateway/reloading.py",
        "            async with self.turn:\n",
        "            if True:\n",
        CHANGING,
    ),
    Break(
        "a table that others rely on is replaced",
        REPLACING,
        "            if read_bytes(path, len(data) + 1) != data:\n",
        "            if False:\n",
        CHANGING,
    ),
    Break(
        "the site file is closed to those who could read it",
        REPLACING,
        "replace_whole(str(self.file), data, mode=self._mode())",
        "replace_whole(str(self.file), data)",
        CHANGING,
    ),
    Break(
        "after a crash a file that the gateway does not go by is told as taken over",
        REPLACING,
        "if present == last.after == in_force:",
        "if present == last.after:",
        KILLED,
    ),
    Break(
        "a change stands in the audit trail twice",
        DESK,
        "if is_first or not await self._is_told(change):",
        "if True:",
        KILLED,
    ),
    Break(
        "a text from outside leads to any file of the machine",
        CHECKING,
        "lambda path: any(path.is_relative_to(folder) for folder in folders)",
        "lambda _: True",
        CHECKED,
    ),
    Break(
        "the name of a new table leads to another folder",
        CHECKING,
        'r"[A-Za-z0-9][A-Za-z0-9._-]{0,95}\\.csv"',
        'r".{0,250}\\.csv"',
        CHANGING,
    ),
    Break(
        "what an instrument gave is calculated as if it meant what the other file says",
        FIGURES,
        "    if read_anew:\n",
        "    if False:\n",
        CHECKED,
    ),
    Break(
        "figures of the other plan are told as those of now",
        FIGURES,
        '"before": figure_state(name, one)',
        '"before": figure_state(name, other)',
        CHECKED,
    ),
    Break(
        "whoever may look may read the site file",
        "gateway/web/access/guard.py",
        ', "/api/1/site-file": SITE_FILE}',
        "}",
        ("tests/web/access/test_site_file_guard.py",),
    ),
)
