"""What a server does not take although it is connected: told once for each subject, until it takes it again."""

import structlog

__all__ = ["Refusals"]

Log = structlog.stdlib.BoundLogger


class Refusals:
    """By subject: a tank, whose records are lost, or a topic of the gateway's own words."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._tanks: dict[str, str] = {}
        self._topics: dict[str, str] = {}

    def of_tank(self, tank: str, reason: str, lost: int) -> None:
        """`lost`: records, in all."""
        self._refuse(self._tanks, tank, reason, lost)

    def of_topic(self, topic: str, reason: str, lost: int) -> None:
        """Of what is said anew anyway: status, alarms."""
        self._refuse(self._topics, topic, reason, lost)

    def taken(self, tank: str) -> None:
        """A record of it has arrived."""
        self._tanks.pop(tank, None)

    @property
    def texts(self) -> tuple[str, ...]:
        """What is wrong at present, of tanks: one sentence at most."""
        if not self._tanks:
            return ()
        tank, reason = next(iter(self._tanks.items()))
        others = f" and {len(self._tanks) - 1} more" if len(self._tanks) > 1 else ""
        return (f"the records of {tank}{others} are refused and lost: {reason}",)

    def _refuse(self, known: dict[str, str], subject: str, reason: str, lost: int) -> None:
        if known.get(subject) != reason:
            known[subject] = reason
            self._log.error("delivery.record_refused", subject=subject, reason=reason, lost=lost)
