"""Breaks of how people are told: what a mail says, to whom, how often, and what is told to have arrived."""

from tests.mutants.a_break import Break

__all__ = ["NOTIFICATION_BREAKS"]

ALARMS = "gateway/delivery/mail/alarms.py"
MAIL = "gateway/delivery/mail/delivery.py"
STILL_ALIVE = "gateway/delivery/mail/still_alive.py"
WEBHOOK = "gateway/delivery/webhook/delivery.py"
ANSWERS = "gateway/delivery/webhook/answers.py"
OF_MAIL = ("tests/delivery/test_mail.py", "tests/delivery/test_mail_parts.py")
OF_DAYS = ("tests/delivery/test_still_alive.py",)
OF_WEBHOOK = ("tests/delivery/test_webhook.py",)

NOTIFICATION_BREAKS: tuple[Break, ...] = (
    Break(
        "an old alarm told as new",
        ALARMS,
        "    is_late = last.instant < before\n",
        "    is_late = False\n",
        OF_MAIL,
    ),
    Break(
        "an alarm that is over told as active",
        ALARMS,
        "        is_over = not alarm.standing.is_active\n",
        "        pass\n",
        OF_MAIL,
    ),
    Break(
        "events told to have arrived before anybody got the mail",
        MAIL,
        "        if self._people.all_told(up_to):\n",
        "        outbox.delivered(up_to)\n        if self._people.all_told(up_to):\n",
        OF_MAIL,
    ),
    Break(
        "who was put off gets nothing",
        MAIL,
        "(each for each in to if each not in put_off)",
        "to",
        OF_MAIL,
    ),
    Break(
        "the day's mail is never sent again",
        STILL_ALIVE,
        "        return due if self._settled is None or due > self._settled else None\n",
        "        return due if self._settled is None else None\n",
        OF_DAYS,
    ),
    Break(
        "an event that waits for a person given up",
        ANSWERS,
        "    if status in _FOR_GOOD:\n",
        "    if status in _FOR_GOOD | _FORBIDDEN:\n",
        OF_WEBHOOK,
    ),
    Break(
        "a redirect followed to another server",
        ANSWERS,
        "    return target if same and",
        "    return target if",
        OF_WEBHOOK,
    ),
    Break(
        "all of a list given up with one of it",
        WEBHOOK,
        "        if verdict.kind is FaultKind.ENTRY and len(events) > 1:\n",
        "        if verdict.kind is FaultKind.ENTRY and len(events) > 1000:\n",
        OF_WEBHOOK,
    ),
    Break(
        "how instruments do is asked for by the thread that writes the mail of the day",
        MAIL,
        "seen = snapshot._replace(instruments=tuple(snapshot.instruments), destinations=",
        "seen = snapshot._replace(destinations=",
        OF_DAYS,
    ),
)
