"""Breaks of what planner, manager, IT and auditor are told: each would be a number that nobody should have believed."""

from tests.mutants.a_break import Break

__all__ = ["EVIDENCE_BREAKS"]

COVER = "gateway/account/cover.py"
GOOD_TIME = "gateway/ledger/good_time.py"
EVIDENCE = "gateway/page_answers/evidence.py"
ITSELF = "gateway/page_answers/gateway_itself.py"
RESPONSE = "gateway/watch/alarm_response.py"
OF_COVER = ("tests/account/test_cover.py",)
OF_EVIDENCE = ("tests/page_answers/test_evidence.py",)
OF_ITSELF = ("tests/page_answers/test_gateway_itself.py",)
OF_RESPONSE = ("tests/watch/test_alarm_response.py",)

EVIDENCE_BREAKS: tuple[Break, ...] = (
    Break(
        "a day that is not closed counts as one on which nothing went off",
        COVER,
        "    missing = [day.name for day in days if day.name not in closes]\n",
        "    missing = []  # type: list[str]\n    days = [day for day in days if day.name in closes]\n",
        OF_COVER,
    ),
    Break(
        "what lies below the minimum lasts too",
        COVER,
        "    share = min(1.0, pumpable.value / net.value)\n",
        "    share = 1.0\n",
        OF_COVER,
    ),
    Break(
        "an estimated day makes no estimate of the mean",
        COVER,
        "    quality = max(figure.quality for _, figure in figures)\n",
        "    quality = Quality.GOOD\n",
        OF_COVER,
    ),
    Break(
        "a minute with a Bad value counts as Uncertain",
        GOOD_TIME,
        "                counts[name][each] += 1\n",
        "                counts[name][min(each, 1)] += 1\n",
        OF_EVIDENCE,
    ),
    Break(
        "a broken chain passes for whole",
        EVIDENCE,
        '        "broken": None if broken is None else broken._asdict(),\n',
        '        "broken": None,\n',
        OF_EVIDENCE,
    ),
    Break(
        "an alarm that was raised again is answered by who had answered to the one before",
        RESPONSE,
        "            at[place] = len(found)\n",
        "            at.setdefault(place, len(found))\n",
        OF_RESPONSE,
    ),
    Break(
        "a port that nobody has meant passes for the page's",
        ITSELF,
        'meant.get(at.port, ("unknown", ""))',
        'meant.get(at.port, ("page", ""))',
        OF_ITSELF,
    ),
    Break(
        "where files lie is told to everybody",
        ITSELF,
        "    return path if in_full else Path(path).name\n",
        "    return path\n",
        OF_ITSELF,
    ),
    Break(
        "a way in is told as a way out",
        ITSELF,
        "case RegistersPlan() | OpcuaPlan():\n            return []\n",
        "case None:\n            return []\n",
        OF_ITSELF,
    ),
    Break(
        "a request is counted under another function code",
        "gateway/acquisition/links/modbus_tcp.py",
        "        self._counters.sent[waiter.function] += 1\n",
        "        self._counters.sent[3] += 1\n",
        ("tests/acquisition/test_modbus_tcp.py",),
    ),
)
