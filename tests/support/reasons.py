"""Reasons as people are told them."""

from gateway.records import Reason

__all__ = ["as_told"]


def as_told(reason: Reason | None) -> Reason:
    """The same by its code and its sentence alone, as a message carries it."""
    assert reason is not None
    return Reason(reason.code, reason.text)
