"""What the table of destinations says of each kind is what its destination wants."""

from datetime import UTC, datetime

from gateway.delivery.destinations import DESTINATION_KINDS, takes_history, takes_records
from gateway.resources import config_path
from gateway.settings import load_site
from tests.support.destinations import destination
from tests.support.kept_entries import MemoryOutbox

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def test_an_outbox_is_for_who_takes_from_it_and_for_nobody_else() -> None:
    """Another would be entered in the ledger at each start, only to be forgotten again."""
    plans = {type(plan): plan for plan in load_site(config_path("site.yaml"), now=NOW).deliveries}
    assert plans.keys() == DESTINATION_KINDS.keys()
    for plan in plans.values():
        wants = destination(plan, MemoryOutbox([])).wants
        assert takes_history(plan) == (wants.history or wants.events), plan.name
        assert not wants.history or takes_records(plan), plan.name
