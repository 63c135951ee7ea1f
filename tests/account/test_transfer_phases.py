"""The table of phases: what is allowed leads where it says, and every refusal says what to do instead."""

from datetime import UTC, datetime
from itertools import product

import pytest

from gateway.account.commands import AccountRefusedError
from gateway.account.transfer import Transfer, TransferKind, TransferPhase
from gateway.account.transfers import phases
from gateway.account.transfers.phases import ALLOWED, Deed, phase_after

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def transfer(phase: TransferPhase) -> Transfer:
    return Transfer(7, TransferKind.RECEIPT, phase, NOON, (), "diesel")


@pytest.mark.parametrize(("phase", "deed"), list(product(TransferPhase, Deed)))
def test_each_deed_in_each_phase(phase: TransferPhase, deed: Deed) -> None:
    expected = ALLOWED.get((phase, deed))
    if expected is not None:
        assert phase_after(transfer(phase), deed) is expected
        return
    with pytest.raises(AccountRefusedError, match=f"transfer 7: there is nothing to {deed.value}: it is ") as caught:
        phase_after(transfer(phase), deed)
    assert caught.value.hint


def test_the_table_in_words_is_the_table() -> None:
    """Of the docstring, which people read."""
    text = phases.__doc__
    assert text is not None
    rows = [[cell.strip(" `") for cell in line.strip("|").split("|")] for line in text.splitlines() if line[:1] == "|"]
    deeds = [Deed(name) for name in rows[0][1:]]
    found: dict[tuple[TransferPhase, Deed], TransferPhase] = {}
    for name, *cells in rows[2:]:
        phase = TransferPhase(name)
        for deed, cell in zip(deeds, cells, strict=True):
            if cell:
                found[phase, deed] = phase if cell == "stays" else TransferPhase(cell)
    assert found == ALLOWED


def test_what_is_over_stays_over() -> None:
    assert not any(phase.is_over for phase, _ in ALLOWED)
    assert all(after.has_begun or after.is_over for (_, deed), after in ALLOWED.items() if deed is not Deed.CHANGE)
