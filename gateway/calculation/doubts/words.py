"""What a reading can be doubted for, and a doubt that comes and goes in words."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from gateway.calculation.doubts.recurrence import QUIET, REMEMBERED, Recurrence, next_recurrence
from gateway.records import Reason, ReasonCode, because

__all__ = ["NO_JUDGEMENTS", "Doubt", "Judgements", "Recurring", "held_reason", "recurring"]


_UNHELD = Reason(ReasonCode.INPUT_UNCERTAIN, "")


class Doubt(StrEnum):
    """What a reading can be doubted for."""

    held: Reason
    """What is doubted, for a doubt that is held because it comes and goes."""

    LEVEL_RATE = "level_rate", Reason(ReasonCode.RATE_IMPLAUSIBLE, "the level jumps")
    SECOND_RATE = "second_rate", Reason(ReasonCode.RATE_IMPLAUSIBLE, "the level by the second gauge jumps")
    TEMPERATURE_RATE = "temperature_rate", Reason(ReasonCode.RATE_IMPLAUSIBLE, "the temperature jumps")
    GAUGES = "gauges", Reason(ReasonCode.GAUGES_DISAGREE, "the gauges differ")
    FROZEN = "frozen", Reason(ReasonCode.LEVEL_FROZEN, "the level stands still while liquid flows")
    AGAINST_FLOW = "against_flow", Reason(ReasonCode.LEVEL_AGAINST_FLOW, "the level moves against the flow")
    LEVEL_AGES = (
        "level_ages",
        Reason(ReasonCode.AGES_DIFFER, "the pressures behind the level differ in age while it moves"),
    )
    TEMPERATURE_AGES = (
        "temperature_ages",
        Reason(ReasonCode.AGES_DIFFER, "temperature and level differ in age while the level moves"),
    )
    DENSITY_AGES = (
        "density_ages",
        Reason(
            ReasonCode.AGES_DIFFER,
            "the pressure behind the density and the level differ in age while the level moves",
        ),
    )
    DENSITIES = "densities", Reason(ReasonCode.DENSITIES_DISAGREE, "measured and entered density differ")

    def __new__(cls, word: str, held: Reason = _UNHELD) -> "Doubt":
        # A default: `Doubt(word)` makes none.
        doubt = str.__new__(cls, word)
        doubt._value_ = word
        doubt.held = held
        return doubt


Judgements = Mapping[str, Reason]
"""What is doubted in a sheet, by the word of its `Doubt`, and why."""
NO_JUDGEMENTS: Judgements = MappingProxyType({})

Recurring = tuple[tuple[Doubt, Recurrence], ...]
"""Of the doubts that are there, or were of late."""


def recurring(before: Recurring, causes: dict[Doubt, Reason], is_new: bool) -> tuple[Judgements, Recurring]:
    """The reasons to show, and what is remembered. `causes`: what is wrong now; `is_new`: whether it was read again."""
    if not causes and not before:
        return NO_JUDGEMENTS, ()
    told: dict[str, Reason] = {}
    after: list[tuple[Doubt, Recurrence]] = []
    known = dict(before)
    for doubt in dict.fromkeys((*known, *causes)):
        cause = causes.get(doubt)
        state = next_recurrence(known.get(doubt, QUIET), cause is not None, is_new)
        if cause is not None:
            told[doubt] = cause
        elif state.shown:
            told[doubt] = held_reason(doubt, state)
        if state != QUIET:
            after.append((doubt, state))
    return told, tuple(after)


def held_reason(doubt: Doubt, state: Recurrence) -> Reason:
    """Why a doubt is shown that is not there at the moment."""
    return because(
        doubt.held.code,
        "{what}: that came and went {times} times within the last {readings} readings",
        what=doubt.held,
        times=state.times,
        readings=REMEMBERED,
    )
