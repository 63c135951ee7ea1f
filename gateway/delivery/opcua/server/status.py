"""Quality and reason to status codes of OPC UA (OPC 10000-8, 6.3 and OPC 10000-4, 7.39).

The severity is ours to the letter: Good, Uncertain, Bad. The sub-code says of what kind the reason is, as far as the
standard has a word for it; the reason itself stands in the variable `reason`.
"""

from asyncua import ua

from gateway.delivery.opcua.feed import SIMULATED

__all__ = ["GONE", "NOTHING_THERE", "NOT_YET", "STALE", "status_of"]

_Codes = ua.StatusCodes
_GOOD, _UNCERTAIN = 0, 1

STALE = ua.StatusCode(_Codes.BadNoCommunication)
"""What was last told of the tank holds no more."""
GONE = ua.StatusCode(_Codes.BadOutOfService)
"""The gateway behind this server does not answer."""
NOT_YET = ua.StatusCode(_Codes.BadWaitingForInitialData)
NOTHING_THERE = ua.StatusCode(_Codes.GoodNoData)
"""Good, and there is nothing to be told: not fitted, or none detected. The value is null."""

_BAD: dict[str, int] = {
    "not_yet_read": _Codes.BadWaitingForInitialData,
    **dict.fromkeys(
        ("no_connection", "no_answer", "path_unavailable", "target_silent", "overdue", "stale"),
        _Codes.BadNoCommunication,
    ),
    **dict.fromkeys(
        (
            "bad_frame",
            "duplicate_address",
            "second_master",
            "answer_unproven",
            "answered_twice",
            "answers_shifted",
        ),
        _Codes.BadCommunicationError,
    ),
    **dict.fromkeys(
        ("device_exception", "device_stale", "device_still_working", "device_busy"), _Codes.BadDeviceFailure
    ),
    **dict.fromkeys(
        (
            "sentinel",
            "not_a_number",
            "impossible_number",
            "out_of_range",
            "loop_failed",
            "loop_outside_span",
            "instrument_fault",
            "element_failed",
        ),
        _Codes.BadSensorFailure,
    ),
    "not_fitted": _Codes.BadNotConnected,
    **dict.fromkeys(("in_maintenance", "not_watched", "out_of_service"), _Codes.BadOutOfService),
    **dict.fromkeys(
        ("below_datum", "above_reference_height", "outside_table", "method_limit", "below_zero"),
        _Codes.BadOutOfRange,
    ),
    "calculation_failed": _Codes.BadInternalError,
}
_DOUBTFUL: dict[str, int] = {
    **dict.fromkeys(("stale", "overdue", "device_stale"), _Codes.UncertainNoCommunicationLastUsableValue),
    **dict.fromkeys(("last_good_used", "level_frozen"), _Codes.UncertainLastUsableValue),
    **dict.fromkeys(
        (
            "manual",
            "manual_expired",
            "second_gauge_used",
            "lowest_element_used",
            "vapour_pressure_assumed",
            "compressibility_assumed",
            "in_maintenance",
        ),
        _Codes.UncertainSubstituteValue,
    ),
    **dict.fromkeys(
        ("above_reference_height", "below_datum", "outside_table", "density_outside_window", "method_doubtful"),
        _Codes.UncertainEngineeringUnitsExceeded,
    ),
    **dict.fromkeys(
        ("rate_implausible", "gauges_disagree", "densities_disagree", "element_outlier", "level_against_flow"),
        _Codes.UncertainSensorNotAccurate,
    ),
    **dict.fromkeys(("element_dry", "stratified", "temperature_unrepresentative"), _Codes.UncertainSubNormal),
}
_DOUBTFUL[SIMULATED] = _Codes.UncertainSimulatedValue
_MADE: dict[int, ua.StatusCode] = {}


def status_of(quality: int, code: str, has_value: bool, manual: bool = False) -> ua.StatusCode:
    """`quality`: 0 Good, 1 Uncertain; all else is Bad. `code`: of the first reason, empty: none."""
    if quality == _GOOD:
        if not has_value:
            return NOTHING_THERE
        number = _Codes.GoodLocalOverride if manual else _Codes.Good
    elif quality == _UNCERTAIN:
        number = _DOUBTFUL.get(code, _Codes.Uncertain)
    else:
        number = _BAD.get(code, _Codes.Bad)
    made = _MADE.get(number)
    if made is None:
        made = _MADE[number] = ua.StatusCode(number)
    return made
