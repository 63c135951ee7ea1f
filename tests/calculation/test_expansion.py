"""Constant expansion coefficient: hand arithmetic, identities, bounds."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.errors import LimitError

ALPHAS = st.floats(3e-4, 2e-3)


@pytest.mark.parametrize(
    ("alpha", "temperature", "ctl"),
    # ASTM D1250 exponential form, hand arithmetic with invented coefficients.
    [(0.000846, 14.70, 1.00025), (0.000713, 39.00, 0.98280), (0.000686, 59.30, 0.96935)],
)
def test_by_hand(alpha: float, temperature: float, ctl: float) -> None:
    prepared = ExpansionCoefficient(alpha, 15.0).from_reference_density(838.0)
    corrected = prepared.at(temperature, 0.0)
    assert corrected.ctl == pytest.approx(ctl, abs=5e-6)
    assert corrected.cpl == 1.0
    assert corrected.observed_density == pytest.approx(838.0 * ctl, abs=0.005)


@given(alpha=ALPHAS, reference=st.floats(0.0, 60.0), temperature=st.floats(0.0, 60.0), density=st.floats(500.0, 1500.0))
def test_round_trip_and_unity(alpha: float, reference: float, temperature: float, density: float) -> None:
    method = ExpansionCoefficient(alpha, reference)
    prepared = method.from_reference_density(density)
    assert prepared.at(reference, 0.0).ctl == 1.0
    observed = prepared.at(temperature, 0.0).observed_density
    assert observed is not None
    back = method.from_observed_density(observed, temperature, 0.0).reference_density
    assert back == pytest.approx(density, rel=1e-12)


@given(alpha=ALPHAS, low=st.floats(-50.0, 100.0), rise=st.floats(0.01, 20.0))
def test_ctl_falls_as_temperature_rises(alpha: float, low: float, rise: float) -> None:
    method = ExpansionCoefficient(alpha, 15.0)
    assert method.ctl(low + rise, 0.0) < method.ctl(low, 0.0)


def test_without_density() -> None:
    method = ExpansionCoefficient(0.0009, 15.0)
    corrected = method.from_reference_density(None).at(25.0, 0.0)
    assert corrected.ctl == pytest.approx(0.9909762, abs=5e-8)
    assert corrected.observed_density is None
    assert (method.needs_density, method.uses_density_for_ctl) == (True, False)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(bad: float) -> None:
    method = ExpansionCoefficient(0.0009, 15.0)
    prepared = method.from_reference_density(800.0)
    with pytest.raises(LimitError, match="liquid temperature"):
        prepared.at(bad, 0.0)
    with pytest.raises(LimitError, match="gauge pressure"):
        prepared.at(20.0, bad)
    with pytest.raises(LimitError, match="reference density"):
        method.from_reference_density(bad)
    with pytest.raises(LimitError, match="observed density"):
        method.from_observed_density(bad, 20.0, 0.0)
    with pytest.raises(LimitError, match="expansion coefficient"):
        ExpansionCoefficient(bad, 15.0)
    with pytest.raises(LimitError, match="reference temperature"):
        ExpansionCoefficient(0.0009, bad)


def test_bounds() -> None:
    prepared = ExpansionCoefficient(0.0009, 15.0, lowest_c=0.0, highest_c=60.0).from_reference_density(800.0)
    with pytest.raises(LimitError) as caught:
        prepared.at(60.1, 0.0)
    assert str(caught.value) == (
        "liquid temperature 60.1 degC is above 60 degC (constant expansion coefficient 0.0009 /degC at 15 degC)"
    )
    with pytest.raises(LimitError, match="gauge pressure 60000 Pa is above 50000 Pa"):
        prepared.at(20.0, 60e3)
    with pytest.raises(LimitError, match="too far from 15 degC"):
        ExpansionCoefficient(0.004, 15.0).ctl(100.0, 0.0)


class TestRange:
    def test_a_coefficient_of_no_stated_range_is_doubted_beyond_50_k(self) -> None:
        """A demonstration tank at 61.2 degC, 46.2 K above its reference, stands; at 65.1 degC it does not."""
        prepared = ExpansionCoefficient(0.000679, 15.0).from_reference_density(925.0)
        assert prepared.at(61.2, 0.0).doubt is None
        assert prepared.at(65.0, 0.0).doubt is prepared.at(-35.0, 0.0).doubt is None
        for far_c in (65.1, -35.1, 200.0, -50.0):
            corrected = prepared.at(far_c, 0.0)
            assert corrected.doubt is not None
            assert corrected.doubt.text == (
                "expansion coefficient used over 50 degC from 15 degC, where it holds, and no range is stated for it"
            )
            assert corrected.ctl is not None
        for never_c in (-50.1, 200.1):
            with pytest.raises(LimitError, match="liquid temperature"):
                prepared.at(never_c, 0.0)

    @given(temperature=st.floats(-60.0, 210.0), low=st.floats(-80.0, 15.0), high=st.floats(15.0, 250.0))
    def test_within_a_stated_range_no_doubt_and_outside_it_no_result(
        self, temperature: float, low: float, high: float
    ) -> None:
        prepared = ExpansionCoefficient(0.0006, 15.0, low, high).from_reference_density(900.0)
        if low <= temperature <= high:
            assert prepared.at(temperature, 0.0).doubt is None
        else:
            with pytest.raises(LimitError, match="liquid temperature"):
                prepared.at(temperature, 0.0)

    def test_a_side_that_is_not_stated_is_doubted_on_its_own(self) -> None:
        prepared = ExpansionCoefficient(0.0006, 15.0, highest_c=120.0).from_reference_density(900.0)
        assert prepared.at(119.0, 0.0).doubt is None
        assert prepared.at(-36.0, 0.0).doubt is not None
        with pytest.raises(LimitError, match="above 120 degC"):
            prepared.at(121.0, 0.0)
