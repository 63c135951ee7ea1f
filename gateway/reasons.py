"""Why a value is what it is: a code for programs, and a sentence for people that is made at the edge only."""

from enum import StrEnum
from typing import NamedTuple, Union

from gateway.plain_form import recurring
from gateway.sentences import sentence

__all__ = ["Reason", "ReasonCode", "ReasonValue", "because"]


class ReasonCode(StrEnum):
    """Why a value is not simply Good, or why a Good figure has no value. Codes are ours; part of the payload schema."""

    # acquisition
    NOT_YET_READ = "not_yet_read"
    NO_CONNECTION = "no_connection"
    NO_ANSWER = "no_answer"
    BAD_FRAME = "bad_frame"
    DEVICE_EXCEPTION = "device_exception"
    SENTINEL = "sentinel"
    NOT_A_NUMBER = "not_a_number"
    IMPOSSIBLE_NUMBER = "impossible_number"
    OUT_OF_RANGE = "out_of_range"
    LOOP_FAILED = "loop_failed"
    LOOP_OUTSIDE_SPAN = "loop_outside_span"
    INSTRUMENT_FAULT = "instrument_fault"
    DEVICE_STALE = "device_stale"
    DUPLICATE_ADDRESS = "duplicate_address"
    SECOND_MASTER = "second_master"
    ANSWER_UNPROVEN = "answer_unproven"
    ANSWERED_TWICE = "answered_twice"
    ANSWERS_SHIFTED = "answers_shifted"
    DEVICE_STILL_WORKING = "device_still_working"
    DEVICE_BUSY = "device_busy"
    PATH_UNAVAILABLE = "path_unavailable"
    TARGET_SILENT = "target_silent"
    # binding
    OVERDUE = "overdue"
    STALE = "stale"
    NOT_FITTED = "not_fitted"
    MANUAL = "manual"
    MANUAL_EXPIRED = "manual_expired"
    DENSITY_UNDATED = "density_undated"
    CLOCK_UNTRUSTED = "clock_untrusted"
    NOT_WATCHED = "not_watched"
    # plausibility
    RATE_IMPLAUSIBLE = "rate_implausible"
    GAUGES_DISAGREE = "gauges_disagree"
    SECOND_GAUGE_USED = "second_gauge_used"
    AGES_DIFFER = "ages_differ"
    LEVEL_FROZEN = "level_frozen"
    LEVEL_AGAINST_FLOW = "level_against_flow"
    # level and volume
    BELOW_DATUM = "below_datum"
    ABOVE_REFERENCE_HEIGHT = "above_reference_height"
    OUTSIDE_TABLE = "outside_table"
    NOT_CONVERGED = "not_converged"
    LOW_HEAD = "low_head"
    BLANKET_UNKNOWN = "blanket_unknown"
    DENSITIES_DISAGREE = "densities_disagree"
    DENSITY_OUTSIDE_WINDOW = "density_outside_window"
    WATER_ABOVE_LEVEL = "water_above_level"
    NONE_DETECTED = "none_detected"
    HEEL_UNDECLARED = "heel_undeclared"
    BELOW_ZERO = "below_zero"
    ROOF_LANDED = "roof_landed"
    ROOF_CRITICAL_ZONE = "roof_critical_zone"
    # temperature
    ELEMENT_DRY = "element_dry"
    ELEMENT_IN_WATER = "element_in_water"
    ELEMENT_FAILED = "element_failed"
    ELEMENT_OUTLIER = "element_outlier"
    STRATIFIED = "stratified"
    TEMPERATURE_UNREPRESENTATIVE = "temperature_unrepresentative"
    LAST_GOOD_USED = "last_good_used"
    LOWEST_ELEMENT_USED = "lowest_element_used"
    # vapour pressure
    VAPOUR_PRESSURE_DISAGREES = "vapour_pressure_disagrees"
    VAPOUR_PRESSURE_UNPROVEN = "vapour_pressure_unproven"
    VAPOUR_PRESSURE_ASSUMED = "vapour_pressure_assumed"
    COMPRESSIBILITY_ASSUMED = "compressibility_assumed"
    # correction and results
    METHOD_LIMIT = "method_limit"
    METHOD_DOUBTFUL = "method_doubtful"
    INPUT_BAD = "input_bad"
    INPUT_UNCERTAIN = "input_uncertain"
    CALCULATION_FAILED = "calculation_failed"
    NOT_APPLICABLE = "not_applicable"
    # watch
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    TIME_SHORT = "time_short"
    RATE_HIGH = "rate_high"
    TOO_SOON = "too_soon"
    """A rate needs more time, or more readings."""
    MOVES_UNSCHEDULED = "moves_unscheduled"
    SLOW_LOSS = "slow_loss"
    THERMAL = "thermal"
    WATER_DRAW = "water_draw"
    ALARM_FLOOD = "alarm_flood"
    NOT_ACKNOWLEDGED = "not_acknowledged"
    LINE_LOST = "line_lost"
    DESTINATION_LOST = "destination_lost"
    SITE_FILE_REFUSED = "site_file_refused"
    # accounts
    NOT_AT_REST = "not_at_rest"
    """Of an opening or a closing: the contents had not come to rest."""
    UNWATCHED = "unwatched"
    """Nobody saw what moved for a while, and the rates around do not bear it out."""
    SIDES_DIFFER = "sides_differ"
    """What left one tank is not what came into the other."""
    BASIS_CHANGED = "basis_changed"
    """Opening and closing rest on another table, gauge or density."""
    PRODUCT_CHANGED = "product_changed"
    WRONG_WAY = "wrong_way"
    # people
    ENTERED = "entered"
    IN_MAINTENANCE = "in_maintenance"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out_of_service"
    # ledger
    BROKE_OFF = "broke_off"
    NOT_KEPT = "not_kept"
    LEDGER_DAMAGED = "ledger_damaged"
    # accounts
    MOVING = "moving"
    NOT_INCLUDED = "not_included"
    """A tank that a total leaves out."""
    NO_OPENING = "no_opening"


ReasonValue = Union[str, int, float, "Reason"]
"""What a phrase can tell: text, a count, a number in SI (a time as seconds since 1970), a reason behind this one."""


@recurring
class Reason(NamedTuple):
    """A code for programs, and what people are told: a phrase that never changes, and the values in it.

    No number and no name stands in code or phrase, so that both tell what happened, whatever the values.
    """

    code: ReasonCode
    phrase: str
    """As `gateway.sentences` has it: constant text with the names of the values in braces."""
    values: tuple[tuple[str, ReasonValue], ...] = ()
    """By name, in SI."""

    @property
    def text(self) -> str:
        """One sentence in English: made at the edge only, on a screen, in a payload, in the log."""
        return sentence(self.phrase, self.values)


def because(code: ReasonCode, phrase: str, **values: ReasonValue) -> Reason:
    """A reason with its values, by their names in `phrase`."""
    return Reason(code, phrase, tuple(values.items()))
