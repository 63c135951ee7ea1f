"""What a method refuses, as an error and as the reason of a figure: the same words."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.limits import limit_reason, outside, require_finite
from gateway.errors import LimitError
from gateway.records import ReasonCode

_VALUES = st.floats(allow_nan=True, allow_infinity=True)
_WORDS = st.text(max_size=20)
_REFUSALS = st.recursive(
    st.builds(LimitError, _WORDS, _VALUES, st.sampled_from(["1", "m", "degC"]), _WORDS, _WORDS),
    lambda within: st.builds(LimitError, _WORDS, _VALUES, st.sampled_from(["1", "Pa"]), within, _WORDS),
    max_leaves=3,
)


@given(_REFUSALS)
def test_a_reason_says_what_the_error_says(error: LimitError) -> None:
    assert limit_reason(error).text == str(error)


@given(_REFUSALS)
def test_a_reason_is_equal_to_that_of_an_equal_refusal(error: LimitError) -> None:
    """Also of a value that is no number, which is equal to nothing."""
    one, other = limit_reason(error), limit_reason(_again(error))
    assert (one, hash(one)) == (other, hash(other))


def _again(error: LimitError) -> LimitError:
    limit = error.limit if isinstance(error.limit, str) else _again(error.limit)
    value = float("nan") if math.isnan(error.value) else error.value
    return LimitError(error.quantity, value, error.unit, limit, error.clause)


def test_its_facts_are_values_and_its_phrase_is_constant() -> None:
    reason = limit_reason(outside("density", 1.5e3, "kg/m3", 600.0, 1200.0, "some clause"), ReasonCode.OUTSIDE_TABLE)
    assert reason.code is ReasonCode.OUTSIDE_TABLE
    assert reason.text == "density 1500 kg/m3 is above 1200 kg/m3 (some clause)"
    assert reason.phrase == "{quantity} {value:.7g} {unit} is {limit} ({clause})"
    assert dict(reason.values)["value"] == 1500.0


def test_a_ratio_has_no_unit() -> None:
    with pytest.raises(LimitError) as raised:
        require_finite("mass fraction", math.inf, "1", "some clause")
    assert limit_reason(raised.value).text == "mass fraction inf is not a finite number (some clause)"
