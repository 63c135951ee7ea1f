"""Breaks of what people enter while the gateway runs."""

from tests.mutants.a_break import Break

__all__ = ["ACTION_BREAKS"]

ACTING = "gateway/acting.py"
BOOK = "gateway/actions/book.py"
BOUND = ("tests/test_binding.py",)
OVER_TIME = ("tests/actions/test_over_time.py",)
MERGED = ("tests/actions/test_merging.py",)
WORDS = ("tests/actions/test_same_words.py",)
PIPELINE = ("tests/test_pipeline.py",)
DOOR = ("tests/test_door.py",)

ACTION_BREAKS: tuple[Break, ...] = (
    Break(
        "an instrument in maintenance is Good",
        "gateway/binding.py",
        "given._replace(quality=max(given.quality, Quality.UNCERTAIN), reason=reason)",
        "given._replace(reason=reason)",
        BOUND,
    ),
    Break(
        "maintenance never ends",
        "gateway/binding.py",
        "for each in binding.maintenance if by < each.until}",
        "for each in binding.maintenance}",
        BOUND,
    ),
    Break(
        "the older of two masters is used",
        "gateway/actions/merging.py",
        "value.entered >= given.entered",
        "value.entered < given.entered",
        MERGED,
    ),
    Break(
        "a tank has two densities",
        "gateway/actions/merging.py",
        "            changes |= dict.fromkeys(rivals)\n",
        "",
        MERGED,
    ),
    Break(
        "a level above the tank is taken from a person",
        "gateway/actions/checking.py",
        "    if refused is not None:\n        mistakes.add(",
        "    if False:\n        mistakes.add(",
        WORDS,
    ),
    Break(
        "what is entered holds before it is kept",
        ACTING,
        "        self._late.append(_Late(future, entries, held))\n",
        "        self._late.append(_Late(future, entries, held))\n        await self._take(entries, held)\n",
        OVER_TIME,
    ),
    Break(
        "an act is in no audit trail",
        "gateway/ledger/papers.py",
        "            if audit is not None:\n",
        "            if False:\n",
        OVER_TIME,
    ),
    Break(
        "what has expired is told again and again",
        BOOK,
        "if entry.what is What.ENTERED and ends",
        "if ends",
        OVER_TIME,
    ),
    Break(
        "a density that is withdrawn still counts",
        BOOK,
        "            if entry.holds:\n                checked",
        "            if True:\n                checked",
        OVER_TIME,
    ),
    Break(
        "another entry, and the same plan",
        "gateway/watched_tank.py",
        '        self.__dict__.pop("ids", None)\n',
        "",
        PIPELINE,
    ),
    Break("maintenance costs the memory", "gateway/plan_id.py", "        maintenance=(),\n", "", PIPELINE),
    Break(
        "a stranger may act",
        "gateway/process/door.py",
        "        if not (peer.user in (0, os.geteuid()) or is_member):\n",
        "        if False:\n",
        DOOR,
    ),
)
