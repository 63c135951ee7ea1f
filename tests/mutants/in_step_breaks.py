"""Breaks of what keeps an answer from being taken for another request's, and one device's values for another's."""

from tests.mutants.a_break import Break

__all__ = ["IN_STEP_BREAKS"]

ANSWERS = "gateway/acquisition/links/unit_answers.py"
DOUBTS = "gateway/acquisition/links/answer_doubts.py"
SORTER = "gateway/acquisition/links/answer_sorter.py"
MACHINE = "gateway/acquisition/links/exchange_machine.py"
NUMBERS = "gateway/acquisition/links/transaction_numbers.py"
MBAP = "gateway/acquisition/links/modbus_tcp.py"
SUSPICION = "gateway/acquisition/signals/suspicion.py"
IN_STEP = ("tests/acquisition/test_in_step.py",)
NUMBERING = ("tests/acquisition/test_transaction_identifiers.py",)

IN_STEP_BREAKS: tuple[Break, ...] = (
    Break(
        "an answer taken though one of its look is owed",
        SORTER,
        "return Whose.IN_DOUBT if is_fit and not is_refusal else Whose.EARLIER",
        "return Whose.OWN if is_fit and not is_refusal else Whose.EARLIER",
        IN_STEP,
    ),
    Break(
        "an answer to an earlier request is the newest one's",
        ANSWERS,
        "        for place, run in enumerate(self._runs):\n",
        "        for place, run in reversed(list(enumerate(self._runs))):\n",
        IN_STEP,
    ),
    Break("what was not answered is forgotten", DOUBTS, "        self.owing.add(unit)\n", "        pass\n", IN_STEP),
    Break(
        "a new connection settles what is owed",
        MACHINE,
        "        if self.state is State.AWAITING:\n            self._miss()\n        if self._wanted is not None:\n",
        "        if self._wanted is not None:\n",
        IN_STEP,
    ),
    Break(
        "a refusal that was kept is another request's",
        ANSWERS,
        " and not (code in REFUSALS and self.are_known)",
        " and not (code in REFUSALS)",
        IN_STEP,
    ),
    Break("shifted answers taken", MACHINE, "        if units.is_shifted(unit):\n", "        if False:\n", IN_STEP),
    Break(
        "shifted answers believed after one in step",
        DOUBTS,
        "if self.in_step >= _SHIFTED:",
        "if self.in_step >= 1:",
        IN_STEP,
    ),
    Break(
        "what is taken without proof is Good",
        MACHINE,
        "if doubt is not None and isinstance(result, tuple):",
        "if False and doubt is not None and isinstance(result, tuple):",
        IN_STEP,
    ),
    Break(
        "time proves what registers an answer is of",
        DOUBTS,
        " or one.answers.has_several(look):",
        ":",
        IN_STEP,
    ),
    Break(
        "a unit without proof is believed at once",
        DOUBTS,
        "if quiet_s < self._longest_kept_s or",
        "if",
        IN_STEP,
    ),
    Break(
        "a second answer to a request is not held against it",
        DOUBTS,
        "            self._twice[message[0], look] = [now_s, 0]\n",
        "            pass\n",
        IN_STEP,
    ),
    Break(
        "the first answer since the start taken without proof",
        DOUBTS,
        "        return not was_proved\n",
        "        return False\n",
        IN_STEP,
    ),
    Break(
        "a second way knows nothing of what is owed over the first",
        "gateway/acquisition/links/transports.py",
        "Way(plan.standby, _connections(plan, plan.standby, units))",
        "Way(plan.standby, _connections(plan, plan.standby, Units()))",
        ("tests/acquisition/test_standby.py",),
    ),
    Break(
        "a doubtful answer's readings are Good",
        "gateway/acquisition/line.py",
        "            if isinstance(words, DoubtedWords):\n",
        "            if False and isinstance(words, DoubtedWords):\n",
        ("tests/acquisition/test_behind_a_converter.py",),
    ),
    Break(
        "a suspected second master lowers nothing",
        "gateway/acquisition/line.py",
        "if self._second_master.suspected and not",
        "if False and self._second_master.suspected and not",
        ("tests/acquisition/test_suspicion.py",),
    ),
    Break(
        "a busy device has no value any more",
        "gateway/binding.py",
        "    | {ReasonCode.DEVICE_STILL_WORKING, ReasonCode.DEVICE_BUSY}\n",
        "",
        ("tests/test_binding.py",),
    ),
    Break(
        "a converter that has stopped is asked without rest",
        "gateway/acquisition/polling/schedule.py",
        "at_ns = max(at_ns, self._silent_until_ns)",
        "at_ns = max(at_ns, now_ns)",
        ("tests/acquisition/test_schedule.py", "tests/acquisition/test_behind_a_converter.py"),
    ),
    Break(
        "transaction identifiers of late requests used again",
        NUMBERS,
        "while number in self._waiting or number in self._unanswered:",
        "while number in self._waiting:",
        NUMBERING,
    ),
    Break(
        "transaction identifiers begin with each start alike",
        NUMBERS,
        "(secrets.randbelow(_NUMBERS) if first is None else first)",
        "(0 if first is None else first)",
        NUMBERING,
    ),
    Break(
        "each connection counts for itself",
        NUMBERS,
        "    numbers = _BY_HOST.get(host.casefold())\n",
        "    numbers = None\n",
        NUMBERING,
    ),
    Break(
        "a foreign answer only counted", MBAP, "        if not self._bears_foreign:\n", "        if False:\n", NUMBERING
    ),
    Break(
        "a server with foreign numbers connected to for ever",
        MBAP,
        "        return self._foreign_ends >= _FOREIGN_ENDS\n",
        "        return False\n",
        NUMBERING,
    ),
    Break(
        "values that jump from one read to the next believed",
        SUSPICION,
        ">= _SWITCHES_IN_A_ROW:",
        ">= 99:",
        ("tests/acquisition/test_suspicion.py",),
    ),
    Break(
        "waves taken for two devices",
        SUSPICION,
        ">= _SWITCHES_IN_A_ROW:",
        ">= 0:",
        ("tests/acquisition/test_quiet_year.py",),
    ),
    Break(
        "a floating-point sentinel read as a value",
        "gateway/acquisition/signals/decode.py",
        "return others(words) if verdict is None else verdict",
        "return others(words)",
        ("tests/acquisition/test_decode.py",),
    ),
)
