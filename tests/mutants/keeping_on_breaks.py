"""Breaks of what keeps the daemon going after a fault, and lets it be stopped."""

from tests.mutants.a_break import Break

__all__ = ["KEEPING_ON_BREAKS"]

TASKS = "gateway/process/tasks.py"
SUPERVISION = "gateway/process/supervision.py"
DAEMON = "gateway/daemon.py"
PIPELINE = "gateway/pipeline.py"
RELOAD = ("tests/test_reload.py",)

KEEPING_ON_BREAKS: tuple[Break, ...] = (
    Break(
        "a task that was cancelled passes for one that was stopped",
        TASKS,
        "for task in tasks if task in ended or _failed(task)]",
        "for task in tasks if _failed(task)]",
        ("tests/test_tasks.py",),
    ),
    Break(
        "the others go on when one has ended",
        TASKS,
        "    finally:\n        await end(tasks)\n",
        "    finally:\n",
        ("tests/test_tasks.py",),
    ),
    Break(
        "a loop that ended is not begun again",
        SUPERVISION,
        "        await sleep(wait_s)\n",
        "        await sleep(wait_s)\n        return\n",
        ("tests/test_daemon.py",),
    ),
    Break(
        "a stop leaves the loop running",
        SUPERVISION,
        "            await end([task])\n",
        "",
        ("tests/test_supervision.py",),
    ),
    Break(
        "faults are counted for ever",
        "gateway/backoff.py",
        "        if healthy_s >= _HEALTHY * self._first_s:\n",
        "        if False:\n",
        ("tests/test_backoff.py",),
    ),
    Break(
        "nobody notices that connections are no longer looked after",
        "gateway/acquisition/links/connection_pool.py",
        "        if self._keeper is not None and self._keeper.done():\n",
        "        if self._keeper is not None and self._keeper.done() and not self._keeper.cancelled():\n",
        ("tests/acquisition/test_several.py",),
    ),
    Break(
        "what an instrument said before it was another is taken on",
        PIPELINE,
        "if key[0] in forgotten]:",
        "if not key]:",
        RELOAD,
    ),
    Break(
        "a line that is the same is begun anew",
        "gateway/changes.py",
        "if name in old and new[name] != old[name]),",
        "if name in old),",
        RELOAD,
    ),
    Break(
        "a tank forgets at each reload",
        "gateway/watched_tank.py",
        "        if before.goes_on(self, forgotten):\n",
        "        if False:\n",
        RELOAD,
    ),
    Break(
        "a changed limit forgets how the tank moved",
        "gateway/watched_tank.py",
        "        elif before.moves_on(self, forgotten):\n",
        "        elif False:\n",
        ("tests/watch/test_life_of_a_watch.py",),
    ),
    Break(
        "an alarm that is left out never ends",
        "gateway/watched_tank.py",
        "self.told = before.told + before.given_up(self.alarm_plans, instant)",
        "self.told = before.told",
        ("tests/watch/test_life_of_a_watch.py",),
    ),
    Break(
        "an alarm that was left out while the gateway was stopped never ends",
        "gateway/watched_tank.py",
        "self.told += left_over(self.watch_memory.alarms, self.alarm_plans, instant)",
        "pass",
        ("tests/test_remembering.py",),
    ),
    Break(
        "what comes late acknowledges another occurrence",
        "gateway/watch/alarms/late.py",
        "is_another = name in since.over or name in since.suppressed",
        "is_another = False",
        ("tests/watch/test_alarm_late.py",),
    ),
    Break(
        "a clock that jumps ends what people entered",
        "gateway/end_clock.py",
        "return utc_ns if abs(utc_ns - trusted_ns) <= _JUMP_NS else trusted_ns",
        "return utc_ns",
        ("tests/test_end_clock.py",),
    ),
    Break(
        "what comes and goes is never told",
        "gateway/watch/flaps.py",
        "return sum(memory.gone) >= _TIMES and share_away(memory) >= _FROM",
        "return False",
        ("tests/watch/test_house.py",),
    ),
    Break(
        "the time to high-high goes by the lower gauge",
        "gateway/watch/level_alarms.py",
        "in_s = max(0.0, ahead.in_s - sooner_s)",
        "in_s = ahead.in_s",
        ("tests/watch/test_level_alarms.py",),
    ),
    Break(
        "a tank remembers what another plan has seen",
        "gateway/watched_tank.py",
        "other.plan == self.plan and self._reads_the_same(other, forgotten)",
        "self._reads_the_same(other, forgotten)",
        RELOAD,
    ),
    Break(
        "a tank that is gone does not say so",
        DAEMON,
        "        for record in last:\n            self._take(record)\n",
        "",
        RELOAD,
    ),
    Break(
        "one destination's fault is another's",
        "gateway/deliveries.py",
        '            self._lost += 1\n            self._tell("offer", error)\n',
        "            raise\n",
        ("tests/test_deliveries.py",),
    ),
    Break(
        "a destination that never ends holds up the rest",
        TASKS,
        "            if told == times:\n                break\n",
        "",
        ("tests/test_deliveries.py",),
    ),
)
