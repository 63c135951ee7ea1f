"""Times as OPC UA has them."""

from datetime import UTC, datetime, timedelta

__all__ = ["moment"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def moment(seconds: float) -> datetime:
    """Of seconds since 1970, to the microsecond."""
    return _EPOCH + timedelta(seconds=seconds)
