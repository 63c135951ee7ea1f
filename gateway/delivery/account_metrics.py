"""Pure: the accounts as metrics: what is open, what was made, what waits longest."""

from collections import Counter
from collections.abc import Iterator

from gateway.delivery.exposition import Kind, family, label_text, sample
from gateway.status import AccountsStatus, GatewaySnapshot

__all__ = ["account_metrics"]

_PHASES = ("proposed", "planned", "running", "paused", "settling")
_PREFIX = "tank_gateway_accounts_"
_PLAIN: tuple[tuple[str, Kind, str, str], ...] = (
    ("transfers_total", "counter", "Transfers that were ever begun or proposed, by their last number.", "transfers"),
    ("tickets_total", "counter", "Tickets that were ever made, by their last number.", "tickets"),
    ("amounts_total", "counter", "Amounts that were ever entered or taken back, by their last number.", "amounts"),
    ("day_closes_total", "counter", "Revisions of days since the start.", "closes"),
    ("faults_total", "counter", "Mistakes of the program that cost the accounts a look at a sheet.", "faults"),
)


def account_metrics(snapshot: GatewaySnapshot) -> Iterator[str]:
    """Lines of text format 0.0.4; none where no accounts are kept."""
    status = snapshot.accounts
    if status is None:
        return
    labels = label_text(site=snapshot.site)
    yield from _open(status, labels)
    for name, kind, text, member in _PLAIN:
        whole = f"{_PREFIX}{name}"
        yield from family(whole, kind, text, [sample(whole, labels, getattr(status, member))])
    unsettled = f"{_PREFIX}unsettled_seconds"
    told = [] if status.unsettled_s is None else [sample(unsettled, labels, status.unsettled_s)]
    yield from family(unsettled, "gauge", "How long the transfer settles that does so longest.", told)
    trouble = f"{_PREFIX}trouble"
    is_troubled = [sample(trouble, labels, bool(status.trouble))]
    yield from family(trouble, "gauge", "1 while something keeps the accounts from going on.", is_troubled)


def _open(status: AccountsStatus, labels: str) -> Iterator[str]:
    name = f"{_PREFIX}open_transfers"
    counts = Counter(transfer.phase for transfer in status.open)
    samples = [sample(name, f"{labels},{label_text(phase=phase)}", counts[phase]) for phase in _PHASES]
    yield from family(name, "gauge", "Transfers that are not over, by how far they have come.", samples)
