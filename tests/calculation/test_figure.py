"""How quality travels, figure by figure: the worst of what was used, Bad without a value, the oldest age."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation import figure
from gateway.records import Figure, Quality, Reason, ReasonCode

FAULT = Reason(ReasonCode.OUT_OF_RANGE, "off")
QUALITIES = st.sampled_from(Quality)


def made(quality: Quality, age_s: float = 1.0) -> Figure:
    return Figure(None if quality is Quality.BAD else 1.0, quality, () if quality is Quality.GOOD else (FAULT,), age_s)


@given(st.lists(st.tuples(QUALITIES, st.floats(0.0, 1e6)), min_size=1, max_size=5))
def test_a_result_is_as_bad_as_its_worst_input_and_as_old_as_its_oldest(parts: list[tuple[Quality, float]]) -> None:
    result = figure.derive(5.0, [made(quality, age_s) for quality, age_s in parts])
    assert result.quality == max(quality for quality, _ in parts)
    assert result.age_s == max(age_s for _, age_s in parts)
    assert result.value == (None if result.quality is Quality.BAD else 5.0)
    assert bool(result.reasons) is (result.quality is not Quality.GOOD)


@pytest.mark.parametrize("quality", Quality)
def test_lowering_never_raises_and_bad_loses_its_value(quality: Quality) -> None:
    lowered = figure.lower(made(quality), Reason(ReasonCode.STALE, "old"))
    assert lowered.quality == max(quality, Quality.UNCERTAIN)
    lost = figure.lower(made(quality), Reason(ReasonCode.STALE, "old"), Quality.BAD)
    assert (lost.value, lost.quality) == (None, Quality.BAD)
    assert lost.reasons[0].code == ReasonCode.STALE
