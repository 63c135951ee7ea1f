"""Breaks of alarms: each would hide one, lose one, raise one anew, or hide it for longer than was said."""

from tests.mutants.a_break import Break

__all__ = ["ALARM_BREAKS"]

STATES = ("tests/watch/test_alarm_states.py",)
ALARM = ("tests/watch/test_alarm.py",)
MACHINE = ("tests/watch/test_alarm_machine.py",)
TOGETHER = ("tests/watch/test_alarms_together.py",)
COMMANDS = ("tests/watch/test_alarm_commands.py",)
FLOOD = ("tests/watch/test_alarm_flood.py",)
FIGURES = ("tests/watch/test_alarm_figures.py",)

ALARM_BREAKS: tuple[Break, ...] = (
    Break(
        "a return acknowledges an alarm",
        "gateway/watch/alarms/states.py",
        "(_UNHEARD, Change.INACTIVE): (_RETURNED, EventKind.ALARM_RETURNED),",
        "(_UNHEARD, Change.INACTIVE): (_NORMAL, EventKind.ALARM_RETURNED),",
        STATES,
    ),
    Break(
        "one that comes again while it waits is not raised",
        "gateway/watch/alarms/states.py",
        "(_RETURNED, Change.ACTIVE): (_UNHEARD, EventKind.ALARM_RAISED),",
        "(_RETURNED, Change.ACTIVE): (_HEARD, None),",
        MACHINE,
    ),
    Break(
        "unshelved while it holds it counts as acknowledged",
        "gateway/watch/alarms/states.py",
        "    (_HEARD, Change.SHOWN): (_UNHEARD, EventKind.ALARM_RAISED),\n",
        "",
        STATES,
    ),
    Break(
        "being hidden acknowledges an alarm",
        "gateway/watch/alarms/states.py",
        "(_UNHEARD, Change.INACTIVE): (_RETURNED, None),",
        "(_UNHEARD, Change.INACTIVE): (_NORMAL, None),",
        STATES,
    ),
    Break(
        "what is unknown ends an alarm",
        "gateway/watch/alarms/alarm.py",
        "if condition.active is None:",
        "if False:",
        ALARM,
    ),
    Break(
        "deadband forgotten",
        "gateway/watch/alarms/alarm.py",
        "(not condition.active and condition.inside) if is_active",
        "(not condition.active) if is_active",
        ALARM,
    ),
    Break(
        "a delay runs out on what is unknown",
        "gateway/watch/alarms/alarm.py",
        "(steady_s - turning.last_s if turning.is_paused else 0.0)",
        "0.0",
        ALARM,
    ),
    Break(
        "an on delay kept through a return",
        "gateway/watch/alarms/alarm.py",
        "return (memory if turning is None else memory._replace(turning=None)), None",
        "return memory, None",
        MACHINE,
    ),
    Break(
        "an off delay for what comes on",
        "gateway/watch/alarms/alarm.py",
        "delay_s = plan.off_delay_s if is_active else plan.on_delay_s",
        "delay_s = plan.off_delay_s",
        MACHINE,
    ),
    Break(
        "what has returned is raised as its shelf ends",
        "gateway/watch/alarms/alarm.py",
        "    after, change = _turned(plan, after, condition, steady_s)\n",
        "    after, _ = _ended(plan, name, after, condition, instant, steady_s, is_told, order)\n"
        "    after, change = _turned(plan, after, condition, steady_s)\n",
        ALARM,
    ),
    Break(
        "a shelf by the clock alone",
        "gateway/watch/alarms/alarm.py",
        "(steady_s >= aside.ends_s or (is_told and instant >= aside.until))",
        "(is_told and instant >= aside.until)",
        ALARM,
    ),
    Break(
        "a shelf ended by a clock that is doubted",
        "gateway/watch/alarms/alarm.py",
        "(is_told and instant >= aside.until)",
        "(instant >= aside.until)",
        ALARM,
    ),
    Break(
        "what is hidden no longer judged",
        "gateway/watch/alarms/alarm.py",
        "        and memory.shelved is None\n",
        "",
        MACHINE,
    ),
    Break(
        "escalated at each sheet",
        "gateway/watch/alarms/alarm.py",
        "        and not memory.escalated\n",
        "",
        ALARM,
    ),
    Break(
        "one that comes and goes is never escalated",
        "gateway/watch/alarms/memory.py",
        "return after if after.unheard_s is not None else after._replace(unheard_s=steady_s)",
        "return after if after.since is before.since else after._replace(unheard_s=steady_s)",
        ALARM,
    ),
    Break(
        "what takes an alarm out of service shown as less",
        "gateway/watch/alarms/memory.py",
        "    if memory.shelved is not None:\n        return AlarmPhase.SHELVED\n",
        "",
        MACHINE,
    ),
    Break(
        "shelved for as long as one likes",
        "gateway/watch/alarms/commands.py",
        "if ahead_s > longest_s:",
        "if False:",
        COMMANDS,
    ),
    Break(
        "shelved until a time that is past",
        "gateway/watch/alarms/commands.py",
        "if ahead_s <= 0.0:",
        "if False:",
        COMMANDS,
    ),
    Break(
        "acknowledged without having been seen",
        "gateway/watch/alarms/commands.py",
        "abs(memory.raised - command.raised) > _AS_TOLD",
        "abs(memory.raised - command.raised) > 9**9 * _AS_TOLD",
        COMMANDS,
    ),
    Break(
        "out of service without a reason",
        "gateway/watch/alarms/commands.py",
        "if not command.why.strip():",
        "if False:",
        COMMANDS,
    ),
    Break(
        "an alarm of no plan kept",
        "gateway/watch/alarms/together.py",
        "if known < len(memories):",
        "if False:",
        TOGETHER,
    ),
    Break(
        "two alarms of an incident with one number",
        "gateway/watch/alarms/together.py",
        "        last = max(last, memory.order)\n",
        "",
        TOGETHER,
    ),
    Break(
        "what is shelved listed before what needs someone",
        "gateway/watch/alarms/together.py",
        "return rank > _LAST_IN_SIGHT, plan.priority.rank,",
        "return False, plan.priority.rank,",
        TOGETHER,
    ),
    Break(
        "ten alarms in ten minutes taken for a flood",
        "gateway/watch/alarms/flood.py",
        "if within <= BEGINS_ABOVE:",
        "if within < BEGINS_ABOVE:",
        FLOOD,
    ),
    Break(
        "a flood that ends as it began",
        "gateway/watch/alarms/flood.py",
        "if len(raised_s) >= ENDS_BELOW:",
        "if len(raised_s) > BEGINS_ABOVE:",
        FLOOD,
    ),
    Break(
        "what is acknowledged counted as an alarm",
        "gateway/watch/alarms/flood.py",
        "event.kind is EventKind.ALARM_RAISED for event in events",
        "event.kind is not None for event in events",
        FLOOD,
    ),
    Break(
        "a shelved alarm counted as standing",
        "gateway/watch/alarms/figures.py",
        "_IN_SIGHT_AND_ACTIVE = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED)",
        "_IN_SIGHT_AND_ACTIVE = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.SHELVED)",
        FIGURES,
    ),
    Break(
        "a window that never moves on",
        "gateway/watch/alarms/figures.py",
        "while time - within[0] >= window:",
        "while time - within[0] > 2 * window:",
        FIGURES,
    ),
)
