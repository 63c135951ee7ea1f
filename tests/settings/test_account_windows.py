"""How old the opening of a transfer is follows from how late the watch may hear of a flow."""

from pathlib import Path

import pytest

from tests.settings.yard import SITE, load

TANK = """
tanks:
  TK-1:
    product: diesel
    shape: {kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}
    reference_height: 15.240 m
    level: {instrument: G-1, signal: innage, measures: innage}
    free_water: none
    maximum_flow_in: 400 m3/h
    maximum_flow_out: 300 m3/h
"""


@pytest.mark.parametrize(("window", "seen_after_s"), [("1 min", 600.0), ("5 min", 600.0), ("30 min", 3600.0)])
def test_a_longer_window_takes_an_older_opening(tmp_path: Path, window: str, seen_after_s: float) -> None:
    settings = load(tmp_path, f"{SITE}watch:\n  window: {window}\n{TANK}")
    assert settings.account.flow_seen_after_s == seen_after_s


@pytest.mark.parametrize(("every", "warned"), [("15 min", False), ("20 min", True)])
def test_a_ledger_that_keeps_too_few_sheets_for_a_close_is_warned_of(tmp_path: Path, every: str, warned: bool) -> None:
    """Of the usual closing age, 15 min."""
    settings = load(tmp_path, f"{SITE}ledger:\n  every: {every}\n{TANK}")
    assert any("no day has a closing sheet" in text for text in settings.warnings) is warned
