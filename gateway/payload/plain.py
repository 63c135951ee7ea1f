"""Pure: times and reasons, as every document that leaves the gateway tells them."""

from datetime import UTC, datetime, timedelta

from gateway.errors import DeliveryError
from gateway.reasons import Reason

__all__ = ["iso_time", "reason_document", "time_of_age"]

_TO_MILLISECONDS = len("2026-01-01T00:00:00.000")


def iso_time(instant: datetime) -> str:
    """ISO 8601 in UTC with milliseconds (cut, not rounded) and Z. Raises DeliveryError when the zone is missing."""
    if instant.tzinfo is not UTC:
        if instant.tzinfo is None:
            raise DeliveryError(f"time {instant.isoformat()} has no zone: a record must carry UTC")
        instant = instant.astimezone(UTC)
    # A year has four digits: the milliseconds end there, and "+00:00" would be six characters for one.
    return instant.isoformat(timespec="milliseconds")[:_TO_MILLISECONDS] + "Z"


def reason_document(reason: Reason) -> dict[str, str]:
    """A reason as every message tells it: its code, and its sentence."""
    return {"code": reason.code, "text": reason.text}


def time_of_age(instant: datetime, age_s: float) -> str | None:
    """When the oldest input was read; None when there never was one, which an infinite age says."""
    try:
        return iso_time(instant - timedelta(0, age_s))
    except (OverflowError, ValueError):
        return None
