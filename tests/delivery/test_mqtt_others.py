"""Who else is there: other gateways on our topics, other clients with our identifier."""

from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.delivery.mqtt.others import ClientIdWatch, OtherBoots
from gateway.delivery.mqtt_wire.words import EndedBy
from gateway.payload.writer import StatusCause, status_json
from gateway.status import DestinationStatus, LastBoot
from tests.support.records import BOOT, CONTEXT, snapshot

OTHER = "f" * 32
THIRD = "e" * 32
FORGET_S = 75.0
SCALARS = st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.text(max_size=5)
DOCUMENTS = SCALARS | st.lists(SCALARS, max_size=3) | st.dictionaries(st.text(max_size=6), SCALARS, max_size=4)


def status(boot: str, cause: StatusCause | None = None, waiting: int = 0) -> bytes:
    """What another gateway says, in its own words."""
    state = snapshot()._replace(boot=boot, destinations=(DestinationStatus("mqtt", True, 1, 0, waiting, None),))
    return status_json(state, cause, CONTEXT)


@pytest.fixture
def others() -> OtherBoots:
    return OtherBoots(BOOT, FORGET_S)


class TestOtherBoots:
    def test_online_for_as_long_as_two_of_its_tellings_may_be_missed(self, others: OtherBoots) -> None:
        assert others.online(0.0) is None
        assert others.heard(status(OTHER), False, 100.0), "so that the other hears of us at once"
        assert not others.heard(status(OTHER), False, 130.0), "it knows us by now"
        assert others.online(130.0 + FORGET_S - 0.1) == OTHER
        assert others.online(130.0 + FORGET_S) is None
        assert others.heard(status(OTHER), False, 300.0), "it is new again"

    def test_what_is_retained_proves_nobody_online(self, others: OtherBoots) -> None:
        others.heard(status(OTHER), True, 100.0)
        assert others.online(100.0) is None

    @pytest.mark.parametrize("retained", [False, True])
    def test_our_own_words_are_no_other(self, others: OtherBoots, retained: bool) -> None:
        assert not others.heard_ourselves
        assert not others.heard(status(BOOT), retained, 1.0)
        assert others.online(1.0) is None
        assert (others.heard_ourselves, others.last) == (True, None)

    def test_offline_ends_it_and_hides_us_until_we_speak_again(self, others: OtherBoots) -> None:
        others.heard(status(OTHER), False, 1.0)
        assert others.heard(status(OTHER, "connection_lost"), False, 2.0)
        assert others.online(2.0) is None

    def test_offline_of_a_third_does_not_end_it(self, others: OtherBoots) -> None:
        others.heard(status(OTHER), False, 1.0)
        others.heard(status(THIRD, "connection_lost"), False, 2.0)
        assert others.online(2.0) == OTHER

    @pytest.mark.parametrize(("cause", "waiting"), [(None, None), ("connection_lost", None), ("stopped", 4)])
    def test_the_boot_before_as_it_lies_on_the_topic(
        self, others: OtherBoots, cause: StatusCause | None, waiting: int | None
    ) -> None:
        """Only one that ended with a word knows what it had waiting."""
        assert others.heard(status(OTHER, cause, 4), True, 1.0), "our status has more to say now"
        state = "online" if cause is None else "offline"
        assert others.last == LastBoot(OTHER, state, cause, "2026-03-14T12:00:00.250Z", waiting)

    def test_its_last_will_that_comes_late_is_taken_up(self, others: OtherBoots) -> None:
        others.heard(status(OTHER), True, 1.0)
        assert others.heard(status(OTHER, "connection_lost"), False, 20.0)
        assert others.last is not None
        assert (others.last.state, others.last.cause) == ("offline", "connection_lost")

    def test_one_that_came_after_us_is_no_boot_before(self, others: OtherBoots) -> None:
        others.heard(status(BOOT), False, 1.0)
        assert not others.heard(status(OTHER), True, 100.0), "as found after a reconnect"
        assert others.last is None

    @given(st.binary(max_size=200) | st.builds(orjson.dumps, DOCUMENTS))
    def test_what_is_no_status_is_passed_over(self, payload: bytes) -> None:
        others = OtherBoots(BOOT, FORGET_S)
        assert not others.heard(payload, False, 1.0)
        assert (others.online(1.0), others.last) == (None, None)

    @given(
        st.sampled_from(["boot", "state", "cause", "time", "schema"]),
        st.none() | st.integers(0, 9) | st.text(max_size=80) | st.lists(st.integers(0, 9), max_size=2),
        st.booleans(),
    )
    def test_a_status_that_lies_is_taken_whole_or_not_at_all(self, name: str, value: Any, retained: bool) -> None:
        told = orjson.loads(status(OTHER)) | {name: value}
        others = OtherBoots(BOOT, FORGET_S)
        others.heard(orjson.dumps(told), retained, 1.0)
        last = others.last
        assert last is None or all(isinstance(each, str) and each.isprintable() for each in (last.boot, last.time))

    def test_a_document_of_any_length_is_not_read(self, others: OtherBoots) -> None:
        told = orjson.loads(status(OTHER)) | {"more": "x" * 70_000}
        assert not others.heard(orjson.dumps(told), False, 1.0)

    def test_a_status_of_a_newer_version_is_understood(self, others: OtherBoots) -> None:
        told = orjson.loads(status(OTHER, "stopped")) | {"more": [1, 2], "destinations": [{"kind": "of another form"}]}
        assert others.heard(orjson.dumps(told), True, 1.0)
        assert others.last is not None
        assert others.last.waiting is None


class TestClientIdWatch:
    def test_the_server_says_so_twice(self) -> None:
        watch = ClientIdWatch(60.0)
        # Once may be somebody's mistake that is over; and it is news once.
        assert [watch.ended(EndedBy.TAKEOVER, 5.0) for _ in range(3)] == [False, True, False]
        assert watch.sure is True

    def test_without_a_word_three_times(self) -> None:
        watch = ClientIdWatch(60.0)
        told = [(watch.ended(EndedBy.SERVER, 0.2), watch.sure) for _ in range(3)]
        assert told == [(False, None), (False, None), (True, False)]
        assert watch.ended(EndedBy.TAKEOVER, 0.2), "and then it says so"
        assert watch.sure is True

    @pytest.mark.parametrize(
        ("by", "lasted_s"),
        [
            (EndedBy.OTHER, 0.2),  # no acknowledgement in time, for example
            (EndedBy.SILENCE, 0.2),
            (EndedBy.SERVER, None),  # no connection: the server is away
            (EndedBy.SERVER, 60.1),  # one that stood for long was not taken at once
        ],
    )
    def test_what_comes_between_breaks_the_row(self, by: EndedBy, lasted_s: float | None) -> None:
        watch = ClientIdWatch(60.0)
        for _ in range(10):
            assert not watch.ended(EndedBy.SERVER, 0.2)
            assert not watch.ended(EndedBy.SERVER, 0.2)
            assert not watch.ended(by, lasted_s)
        assert watch.sure is None

    def test_over_when_a_connection_lasts(self) -> None:
        watch = ClientIdWatch(60.0)
        for _ in range(2):
            watch.ended(EndedBy.TAKEOVER, 1.0)
        assert not watch.lasts(60.0)
        assert watch.lasts(60.1)
        assert watch.sure is None
        assert not watch.lasts(61.0)
        assert not watch.ended(EndedBy.TAKEOVER, 61.0), "it counts anew"
