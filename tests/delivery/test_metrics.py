import asyncio
import math
from collections.abc import Iterator
from datetime import timedelta
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families
from prometheus_client.samples import Sample

from gateway.delivery.metrics import Metrics
from gateway.figures import FIGURE_DEFINITIONS
from gateway.records import ElementUse, Ending, Figure, Figures, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.status import (
    AccessStatus,
    AccountsStatus,
    Backlog,
    ConnectedClient,
    DestinationStatus,
    GatewaySnapshot,
    Histogram,
    LedgerStatus,
    OpenTransfer,
    Trouble,
)
from gateway.tank_record import TankRecord
from tests.support.prometheus_reference import reference_text
from tests.support.promtool import lint_metrics
from tests.support.records import BOOT, NOON, bad, inventories, inventory, record, record_of, snapshot

ELEMENTS = (
    ElementUse(1.0, 17.6, True, 1.0, Quality.GOOD, None),
    ElementUse(3.5, 19.0, False, 0.0, Quality.GOOD, Reason(ReasonCode.ELEMENT_DRY, "above the surface")),
    ElementUse(6.0, 850.0, False, 0.0, Quality.BAD, Reason(ReasonCode.ELEMENT_FAILED, "open")),
)
TANK = {"site": "harbour", "tank": "TK-1", "product": "gasoline"}


def _full() -> GatewaySnapshot:
    """Every figure of one tank Good, another tank Bad, a third simulated."""
    sheet = inventory("TK-1", elements=ELEMENTS)
    sheet = sheet._replace(figures=Figures(*(Figure(1.5, Quality.GOOD, (), 0.0) for _ in Figures._fields)))
    return snapshot(
        record_of("harbour", BOOT, 1, sheet),
        record("TK-2", 1, level=bad(), gsv=Figure(3626.9, Quality.UNCERTAIN, (), 0.0)),
        record("TK-3", 1, simulated=True),
        simulated=True,
    )._replace(access=AccessStatus(3, 7, 1_790_000_000.0))


def _samples(text: bytes) -> Iterator[Sample]:
    for family in text_string_to_metric_families(text.decode()):
        yield from family.samples


def _find(text: bytes, name: str, **labels: str) -> list[float]:
    return [
        sample.value for sample in _samples(text) if sample.name == name and labels.items() <= sample.labels.items()
    ]


def test_prometheus_own_linter_is_content() -> None:
    assert lint_metrics(Metrics(_full).render()) == []


def test_mass_is_in_grams_the_base_unit_of_prometheus() -> None:
    text = Metrics(_full).render()
    assert _find(text, "tank_liquid_mass_grams", **TANK) == [1500.0]
    assert _find(text, "tank_observed_density_grams_per_cubic_metre", **TANK) == [1500.0]
    assert _find(text, "tank_level_metres", **TANK) == [1.5]


def test_figures_have_their_values_and_a_bad_one_is_absent() -> None:
    text = Metrics(_full).render()
    for definition in FIGURE_DEFINITIONS:
        assert _find(text, definition.metric, **TANK) == [1.5 * definition.metric_factor], definition.name
    assert _find(text, "tank_level_metres", tank="TK-2") == []
    assert _find(text, "tank_gross_standard_volume_cubic_metres", tank="TK-2") == [3626.9]
    assert _find(text, "tank_room_cubic_metres", tank="TK-2") == [], "not applicable, so it has no value"
    assert _find(text, "tank_quality", tank="TK-1") == [0]
    assert _find(text, "tank_quality", tank="TK-2") == [2]
    assert _find(text, "tank_figure_quality", tank="TK-2", figure="level") == [2]
    assert _find(text, "tank_figure_quality", tank="TK-2", figure="gsv") == [1]
    assert _find(text, "tank_inventory_time_seconds", tank="TK-1") == [NOON.timestamp()]


def test_the_level_against_its_limits_and_what_ends_soon() -> None:
    state = LevelState(LimitState.ABOVE_HIGH_HIGH, RoofZone.LANDED, Quality.GOOD, 0.9, None, 13.55, 13.95)
    sheet = inventory("TK-1")._replace(level_state=state, endings=(Ending("reference_density", NOON),))
    text = Metrics(lambda: snapshot(record_of("harbour", BOOT, 1, sheet), record("TK-2"))).render()
    assert _find(text, "tank_limit_state", **TANK) == [2]
    assert _find(text, "tank_limit_state", tank="TK-2") == [], "it has no level state, so there is no number for it"
    assert _find(text, "tank_limit_metres", **TANK, limit="high_high") == [13.55]
    assert _find(text, "tank_limit_metres", **TANK, limit="maximum_working") == []
    assert _find(text, "tank_roof_state", **TANK) == [0]
    assert _find(text, "tank_entry_expires_timestamp_seconds", **TANK, entry="reference_density") == [NOON.timestamp()]


def test_a_bad_figure_stays_absent_even_if_it_kept_a_value() -> None:
    text = Metrics(lambda: snapshot(record(level=Figure(9.4, Quality.BAD, (), 0.0)))).render()
    assert _find(text, "tank_level_metres") == []


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_value_that_is_no_number_is_absent(value: float) -> None:
    text = Metrics(lambda: snapshot(record(level=Figure(value, Quality.GOOD, (), 0.0)))).render()
    assert _find(text, "tank_level_metres") == []


def test_elements() -> None:
    text = Metrics(_full).render()
    assert _find(text, "tank_element_temperature_celsius", element="1") == [17.6]
    assert _find(text, "tank_element_temperature_celsius", element="2") == [19.0]
    assert _find(text, "tank_element_temperature_celsius", element="3") == []
    assert _find(text, "tank_element_used") == [1, 0, 0]


def test_every_series_of_a_simulated_tank_says_so_and_no_other_does() -> None:
    of_tanks = [sample for sample in _samples(Metrics(_full).render()) if "tank" in sample.labels]
    assert {sample.labels["tank"] for sample in of_tanks} == {"TK-1", "TK-2", "TK-3"}
    for sample in of_tanks:
        assert sample.labels.get("simulated") == ("true" if sample.labels["tank"] == "TK-3" else None), sample
    assert _find(Metrics(_full).render(), "tank_gateway_simulated") == [1]


def test_who_comes_over_http_and_until_when_the_certificate_holds() -> None:
    text = Metrics(_full).render()
    assert _find(text, "tank_gateway_sessions") == [3]
    assert _find(text, "tank_gateway_sign_ins_refused_total") == [7]
    assert _find(text, "tank_gateway_certificate_end_time_seconds") == [1_790_000_000]
    without = Metrics(lambda: _full()._replace(access=AccessStatus(0, 0))).render()
    assert _find(without, "tank_gateway_sessions") == [0]
    assert _find(without, "tank_gateway_certificate_end_time_seconds") == []
    nobody = Metrics(lambda: _full()._replace(access=None)).render()
    assert _find(nobody, "tank_gateway_sign_ins_refused_total") == []


def test_the_gateways_own_health() -> None:
    text = Metrics(_full).render()
    assert _find(text, "tank_gateway_instrument_up", instrument="LT-1") == [1]
    assert _find(text, "tank_gateway_instrument_up", instrument="TT-1") == [0]
    assert _find(text, "tank_gateway_instrument_requests_total", instrument="LT-1") == [6]
    assert _find(text, "tank_gateway_instrument_errors_total", instrument="LT-1", kind="no_answer") == [2]
    assert _find(text, "tank_gateway_instrument_last_answer_time_seconds") == [1_773_489_599.0]
    assert _find(text, "tank_gateway_instrument_timeout_seconds") == [0.25]  # of the other nothing is learned
    assert _find(text, "tank_gateway_instrument_duplicate_address_suspicions_total", instrument="LT-1") == [7]
    assert _find(text, "tank_gateway_line_second_master_suspicions_total", line="east") == [5]
    assert _find(text, "tank_gateway_instrument_response_seconds_bucket", instrument="LT-1", le="0.1") == [5]
    assert _find(text, "tank_gateway_instrument_response_seconds_bucket", instrument="LT-1", le="+Inf") == [6]
    assert _find(text, "tank_gateway_instrument_response_seconds_count", instrument="LT-1") == [6]
    assert _find(text, "tank_gateway_line_connected", line="east") == [1]
    assert _find(text, "tank_gateway_line_connections_wanted", line="east") == [4]
    assert _find(text, "tank_gateway_line_connections_open", line="east") == [2]
    assert _find(text, "tank_gateway_line_on_standby", line="east") == [1]
    assert _find(text, "tank_gateway_line_busy_seconds_total", line="east") == [12.5]
    assert _find(text, "tank_gateway_line_late_answers_total", line="east") == [4]
    assert _find(text, "tank_gateway_line_unsolicited_frames_total", line="east") == [1]
    assert _find(text, "tank_gateway_line_second_answers_total", line="east") == [8]
    assert _find(text, "tank_gateway_line_shifts_total", line="east") == [9]
    assert _find(text, "tank_gateway_line_poll_lateness_seconds_sum", line="east") == [0.42]
    assert _find(text, "tank_gateway_destination_connected", destination="mqtt") == [1]
    assert _find(text, "tank_gateway_destination_delivered_total") == [40]
    assert _find(text, "tank_gateway_destination_lost_total") == [2]
    assert _find(text, "tank_gateway_destination_waiting") == [1]
    assert _find(text, "tank_gateway_destination_oldest_waiting_seconds") == [0.75]
    assert _find(text, "tank_gateway_destination_trouble", destination="mqtt", kind="other_gateway") == [1]
    assert _find(text, "tank_gateway_destination_trouble", kind="client_id_shared") == []
    assert _find(text, "tank_gateway_build_info", version="0.0.0", boot=BOOT) == [1]
    assert _find(text, "tank_gateway_calculation_errors_total") == [3]
    assert _find(text, "tank_gateway_clock_seconds") == [NOON.timestamp()]
    assert _find(text, "tank_gateway_start_time_seconds") == [1_773_480_000.0]


def _kept(oldest_s: float | None = 912.5, trouble: Trouble | None = None) -> GatewaySnapshot:
    """A ledger with two destinations of history beside the broker that takes none."""
    commits = Histogram((0.01, 0.1, math.inf), (7, 8, 9), 1.5)
    ledger = LedgerStatus("/var/lib/harbour.ledger", 5_000, 12, 3, commits, 4_096_000, 70_000, None, trouble)
    kept = Backlog(120, oldest_s, 4_880, 2, 86_400.0)
    behind = DestinationStatus("office", False, 0, 0, 0, None, history=kept, dropped=17)
    level = DestinationStatus("files:/srv", True, 0, 0, 0, None, history=Backlog(0, None, 5_000, 0))
    state = _full()
    return state._replace(ledger=ledger, destinations=(*state.destinations, behind, level))


def test_the_ledger_and_what_waits_in_it() -> None:
    text = Metrics(lambda: _kept(trouble=Trouble("disk_full", "it is full"))).render()
    assert lint_metrics(text) == []
    history = "tank_gateway_destination_history"
    assert _find(text, f"{history}_waiting", destination="office") == [120]
    assert _find(text, f"{history}_waiting", destination="files:/srv") == [0]
    assert _find(text, f"{history}_waiting", destination="mqtt") == [], "it takes no history"
    assert _find(text, f"{history}_oldest_seconds") == [912.5], "of the other nothing waits"
    assert _find(text, f"{history}_delivered_total") == [4_880, 5_000]
    assert _find(text, f"{history}_lost_total", destination="office") == [2]
    assert _find(text, f"{history}_buffer_left_seconds") == [86_400.0]
    assert _find(text, "tank_gateway_destination_dropped_total", destination="office") == [17]
    assert _find(text, "tank_gateway_ledger_committed_total", site="harbour") == [5_000]
    assert _find(text, "tank_gateway_ledger_waiting") == [12]
    assert _find(text, "tank_gateway_ledger_lost_total") == [3]
    assert _find(text, "tank_gateway_ledger_commit_seconds_bucket", le="0.1") == [8]
    assert _find(text, "tank_gateway_ledger_commit_seconds_sum") == [1.5]
    assert _find(text, "tank_gateway_ledger_size_bytes") == [4_096_000]
    assert _find(text, "tank_gateway_ledger_entries") == [70_000]
    assert _find(text, "tank_gateway_ledger_oldest_entry_time_seconds") == [], "it is empty"
    assert _find(text, "tank_gateway_ledger_trouble", kind="disk_full") == [1]


def test_those_of_one_host_and_name_are_one_series_since_the_first() -> None:
    """A port is another one at each connect: it would be a series for ever."""
    reader = ConnectedClient("10.0.0.7:50122", NOON)
    readers = (
        reader,
        ConnectedClient("10.0.0.7:50123", NOON - timedelta(minutes=5)),
        ConnectedClient("[::1]:9", NOON, "panel"),
    )
    serving = DestinationStatus("registers", True, 0, 0, 0, None, clients=readers)
    text = Metrics(lambda: _full()._replace(destinations=(serving,))).render()
    assert lint_metrics(text) == []
    since = "tank_gateway_destination_client_since_seconds"
    assert _find(text, "tank_gateway_destination_clients", destination="registers") == [3]
    assert _find(text, since, client="10.0.0.7", client_name="") == [NOON.timestamp() - 300]
    assert _find(text, since, client="[::1]", client_name="panel") == [NOON.timestamp()]
    assert len(_find(text, since)) == 2


def test_without_a_ledger_there_is_nothing_of_it() -> None:
    text = Metrics(_full).render()
    assert b"tank_gateway_ledger" not in text
    assert b"_history_" not in text


def test_two_troubles_of_one_kind_are_one_series() -> None:
    """A series that stands there twice makes the whole scrape invalid, with every level in it."""
    state = snapshot()
    (status,) = state.destinations
    troubles = (Trouble("destination_refuses", "one"), Trouble("destination_refuses", "two"), Trouble("x", "three"))
    text = Metrics(lambda: state._replace(destinations=(status._replace(troubles=troubles),))).render()
    assert _find(text, "tank_gateway_destination_trouble", kind="destination_refuses") == [1]
    assert _find(text, "tank_gateway_destination_trouble", kind="x") == [1]


def test_names_with_odd_letters_survive() -> None:
    text = Metrics(lambda: snapshot(record('TK "ö"\\1\n'))).render()
    assert _find(text, "tank_level_metres", tank='TK "ö"\\1\n') == [9.412]


def test_no_tank_no_series() -> None:
    text = Metrics(snapshot).render()
    assert not any(name in text for name in (b"tank_level_metres", b"tank_quality"))
    assert not any(math.isnan(sample.value) for sample in _samples(text))


async def test_a_scrape_in_slices_says_the_same() -> None:
    metrics = Metrics(_full)
    assert await metrics.render_in_slices() == metrics.render()


async def test_others_have_their_turn_during_a_scrape_and_it_is_of_one_moment() -> None:
    turns = 0
    states = [snapshot(*(record(f"TK-{number}") for number in range(200)))]

    async def other() -> None:
        nonlocal turns
        while True:
            turns += 1
            states[0] = snapshot(record("TK-later"))
            await asyncio.sleep(0)

    busy = asyncio.create_task(other())
    text = await Metrics(lambda: states[0]).render_in_slices()
    busy.cancel()
    assert turns > text.count(b"\n") / 2_000, "at least each two thousand lines"
    assert len(_find(text, "tank_quality")) == 200
    assert _find(text, "tank_quality", tank="TK-later") == []


def test_a_text_that_is_no_exposition_is_refused_by_the_linter() -> None:
    with pytest.raises(ValueError, match="error"):
        lint_metrics(b"tank_level_metres{ 1\n")


def _families(text: bytes) -> dict[str, tuple[str, str, list[Sample]]]:
    return {
        each.name: (
            each.type,
            each.documentation,
            sorted(each.samples, key=lambda one: (one.name, sorted(one.labels.items()))),
        )
        for each in text_string_to_metric_families(text.decode())
    }


def _itself(state: GatewaySnapshot) -> GatewaySnapshot:
    return state


def test_it_is_what_the_prometheus_client_library_writes() -> None:
    for state in (_full(), _kept(None), _kept(0.0, Trouble("slow", "a commit took 2 s"))):
        assert _families(Metrics(partial(_itself, state)).render()) == _families(reference_text(state))


_names = st.text(st.sampled_from('aä"\\\n,{}= ') | st.characters(codec="utf-8"), min_size=1, max_size=8)
_records = st.lists(
    st.builds(record_of, _names, st.just(BOOT), st.just(1), inventories()),
    max_size=3,
    unique_by=lambda one: (one.identity.site, one.inventory.tank, one.inventory.product, one.inventory.simulated),
)


@given(records=_records, site=_names, name=_names)
def test_it_is_what_the_library_writes_whatever_the_names_and_figures(
    records: list[TankRecord], site: str, name: str
) -> None:
    state = snapshot(*records)
    state = state._replace(
        site=site,
        lines=[line._replace(line=name) for line in state.lines],
        instruments=[each._replace(instrument=name + each.instrument, line=name) for each in state.instruments],
        destinations=[each._replace(destination=name) for each in state.destinations],
    )
    assert _families(Metrics(lambda: state).render()) == _families(reference_text(state))


def test_the_accounts() -> None:
    noon = snapshot().instant
    running = OpenTransfer(3, "receipt", "running", ("TK-1",), noon, "")
    status = AccountsStatus(
        (running, running._replace(number=4, phase="settling")), 4, 2, 9, closes=5, unsettled_s=90.0
    )
    text = Metrics(lambda: snapshot(record())._replace(accounts=status)).render()
    families = {family.name: family for family in text_string_to_metric_families(text.decode())}
    phases = families["tank_gateway_accounts_open_transfers"].samples
    assert {each.labels["phase"]: each.value for each in phases} == {
        **dict.fromkeys(("proposed", "planned", "paused"), 0.0),
        **dict.fromkeys(("running", "settling"), 1.0),
    }
    assert _find(text, "tank_gateway_accounts_tickets_total") == [2]
    assert _find(text, "tank_gateway_accounts_day_closes_total") == [5]
    assert _find(text, "tank_gateway_accounts_unsettled_seconds") == [90]
    assert _find(text, "tank_gateway_accounts_trouble") == [0]
    lost = status._replace(trouble="the disk", unsettled_s=None)
    text = Metrics(lambda: snapshot(record())._replace(accounts=lost)).render()
    assert _find(text, "tank_gateway_accounts_trouble") == [1]
    assert _find(text, "tank_gateway_accounts_unsettled_seconds") == []
    assert b"accounts" not in Metrics(lambda: snapshot(record())).render()
