"""Quantities of a scenario file. An inch is 0.0254 m exactly (NIST SP 811, appendix B)."""

import pytest

from simulators.units import parse_quantity, parse_step


@pytest.mark.parametrize(
    ("text", "metres"),
    [("1-1/2 in", 0.0381), ("1/16 in", 0.0015875), ("24 ft 3-7/16 in", 7.4025125), ("-1/2 in", -0.0127)],
)
def test_fractions_of_an_inch_are_written_as_on_a_tape(text: str, metres: float) -> None:
    assert parse_quantity(text, "length") == pytest.approx(metres, rel=1e-12)


def test_a_register_may_count_sixteenths_of_an_inch() -> None:
    """`1 1/16in` is one of the unit `1/16in`, and no inch and a sixteenth."""
    assert parse_step("1/16 in", "length") == parse_step("1 1/16in", "length") == (0.0254 / 16, 0.0)


@pytest.mark.parametrize("text", ["0/16 in", "-1/16 in", "1/0 in", "1/16 m", "1 1/16 in"])
def test_what_is_no_step_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a length with its unit"):
        parse_step(text, "length")


def test_densities_by_the_litre() -> None:
    assert parse_quantity("0.8842 kg/L", "density") == pytest.approx(884.2)
