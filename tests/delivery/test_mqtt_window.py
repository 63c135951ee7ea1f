"""What of history is under way: whatever the server answers and whenever the connection ends, nothing is skipped."""

from collections import deque

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.delivery.mqtt.window import ENDS_THE_CONNECTION, PATIENCE_S, STRIKES, HistoryWindow, stream_of
from gateway.delivery.mqtt_wire.words import Refusal
from gateway.history import Entry
from tests.support.kept_entries import kept_event, kept_record, streams

NOT_AUTHORIZED = Refusal(0x87, "Not authorized")
QUOTA_EXCEEDED = Refusal(0x97, "Quota exceeded")
UNSPECIFIED = Refusal(0x80, "Unspecified error")
TOPIC_INVALID = Refusal(0x90, "Topic name invalid")
TOO_LARGE = Refusal(0x95, "Packet too large")
TANKS = ["TK-1", "TK-2", "TK-3"]


class Server:
    """A server and the outbox in the hands of a test: what was given, sent, answered and told as delivered."""

    def __init__(self, entries: list[Entry], most: int = 4, wait_s: float = 1.0) -> None:
        self.entries = entries
        self.window = HistoryWindow(most, lambda healthy_s: wait_s)
        self.now_s = 1000.0
        self.taken = self.number = 0
        self.delivered: list[int] = []
        self.lost = 0
        self.under_way: dict[int, Entry] = {}
        self.sent: list[Entry] = []
        self.arrived: list[Entry] = []

    @property
    def cursor(self) -> int:
        """Entries up to which all is told as delivered."""
        last = self.delivered[-1] if self.delivered else 0
        return sum(entry.position <= last for entry in self.entries)

    def take(self, count: int) -> None:
        self.window.give(self.entries[self.taken : self.taken + count])
        self.taken = min(len(self.entries), self.taken + count)

    def send(self, most: int = 1_000) -> int:
        """Whatever may be sent, one after the other."""
        count = 0
        while count < most and (entry := self.window.next(self.now_s)) is not None:
            self.number += 1
            self.window.sent(self.number, self.now_s)
            self.under_way[self.number] = entry
            self.sent.append(entry)
            count += 1
        self.look()
        return count

    def answer(self, number: int, refusal: Refusal | None = None) -> Entry:
        entry = self.under_way.pop(number)
        if refusal is None:
            self.arrived.append(entry)
        self.window.settled(number, refusal, self.now_s)
        self.look()
        return entry

    def answer_all(self, refused: dict[str, Refusal] | None = None) -> None:
        for number in list(self.under_way):
            self.answer(number, (refused or {}).get(stream_of(self.under_way[number])))

    def look(self) -> None:
        reached = self.window.reached()
        if reached is not None:
            assert not self.delivered or reached.position > self.delivered[-1]
            self.delivered.append(reached.position)
            self.lost += len(reached.lost)

    def connection_ends(self, *, by_server: bool = True) -> None:
        self.window.broken(by_server=by_server)
        self.under_way.clear()
        self.taken = self.cursor

    def run(self, refused: dict[str, Refusal] | None = None, rounds: int = 1_000) -> None:
        """On and on, each time all that is under way answered."""
        for _ in range(rounds):
            self.take(3)
            self.send()
            self.answer_all(refused)
            self.now_s += 2.0


def positions(entries: list[Entry]) -> list[int]:
    return [entry.position for entry in entries]


_ANSWERS = (None, None, None, NOT_AUTHORIZED, QUOTA_EXCEEDED, UNSPECIFIED, TOPIC_INVALID, TOO_LARGE)
_step = st.one_of(
    st.tuples(st.just("take"), st.integers(1, 6)),
    st.tuples(st.just("send"), st.integers(1, 6)),
    st.tuples(st.just("answer"), st.tuples(st.integers(0, 7), st.sampled_from(_ANSWERS))),
    st.tuples(st.just("ends"), st.booleans()),
    st.tuples(st.just("later"), st.sampled_from((0.0, 0.1, 2.0, PATIENCE_S))),
)


@given(st.lists(_step, max_size=120), st.integers(1, 6))
@settings(max_examples=300)
def test_whatever_happens_what_is_delivered_is_a_prefix_and_all_of_it_was_sent(
    steps: list[tuple[str, object]], most: int
) -> None:
    """Then the server is well again, and what is left arrives."""
    server = Server(streams(TANKS, 6), most)
    for what, value in steps:
        match what, value:
            case "take", int(count):
                server.take(count)
            case "send", int(count):
                server.send(count)
            case "answer", (int(index), refusal) if server.under_way:
                assert refusal is None or isinstance(refusal, Refusal)
                server.answer(list(server.under_way)[index % len(server.under_way)], refusal)
            case "ends", bool(by_server):
                server.connection_ends(by_server=by_server)
            case "later", float(by_s):
                server.now_s += by_s
            case _:
                assert what == "answer", "there is nothing to be answered"
        assert server.window.in_flight == len(server.under_way) <= most
        told = positions(server.entries[: server.cursor])
        sent, arrived = set(positions(server.sent)), set(positions(server.arrived))
        # One at which the server ended each connection is passed over without being sent again: it was sent before.
        assert set(told) <= sent
        assert len(set(told) - arrived) <= server.lost
        assert server.cursor <= server.taken
    server.run()
    assert server.cursor == len(server.entries)
    assert set(positions(server.sent)) == set(positions(server.entries))
    missed = set(positions(server.entries)) - set(positions(server.arrived))
    assert len(missed) <= server.lost


@given(st.lists(st.integers(0, 5), max_size=60), st.lists(st.tuples(st.integers(1, 20), st.booleans()), max_size=6))
def test_without_a_refusal_entries_go_out_in_their_order_and_repeat_only_after_a_break(
    answers: list[int], breaks: list[tuple[int, bool]]
) -> None:
    server = Server(streams(TANKS, 8))
    ends = deque(breaks)
    begun = 0
    for index in answers * 3:
        server.take(5)
        server.send()
        if server.under_way:
            server.answer(list(server.under_way)[index % len(server.under_way)])
        if ends and len(server.sent) - begun >= ends[0][0]:
            assert positions(server.sent[begun:]) == sorted(set(positions(server.sent[begun:])))
            server.connection_ends(by_server=ends.popleft()[1])
            begun = len(server.sent)
            following = server.entries[server.cursor].position if server.cursor < len(server.entries) else None
            server.take(5)
            server.send(1)
            if following is not None:
                assert server.sent[begun].position == following, "from the first that is not known to be there"
    assert positions(server.sent[begun:]) == sorted(set(positions(server.sent[begun:])))
    assert server.lost == 0


def test_room_grows_with_quick_answers_and_shrinks_with_slow_ones() -> None:
    server = Server(streams(TANKS, 100), most=16)
    widths = []
    for _ in range(6):
        server.take(30)
        widths.append(server.send())
        server.answer_all()
    assert widths == [1, 2, 4, 8, 16, 16], "one more for each answer"
    server.take(30)
    server.send()
    server.now_s += 0.6  # beyond the quickest, which took no time, and half a second
    server.answer_all()
    server.take(30)
    assert server.send() == 8


def test_a_path_that_is_long_and_not_full_is_used_whole() -> None:
    server = Server(streams(TANKS, 100), most=16)
    widths = []
    for _ in range(6):
        server.take(30)
        widths.append(server.send())
        server.now_s += 1.5
        server.answer_all()
    assert widths[-1] == 16


def test_what_the_server_never_takes_is_lost_at_once_and_counted_where_it_stands() -> None:
    server = Server(streams(["TK-1"], 3))
    server.take(3)
    server.send()
    server.answer(1, TOPIC_INVALID)
    assert (server.delivered, server.lost) == ([1], 1)
    assert server.window.refusals == {"TK-1/history": (TOPIC_INVALID, True)}
    server.run(rounds=5)
    assert (server.delivered[-1], server.lost) == (3, 1)
    assert server.window.refusals == {}, "it takes the next"


@pytest.mark.parametrize("refusal", [QUOTA_EXCEEDED, NOT_AUTHORIZED, UNSPECIFIED])
def test_what_is_refused_for_now_waits_and_holds_the_rest_up(refusal: Refusal) -> None:
    server = Server(streams(["TK-1"], 5), wait_s=3.0)
    server.take(5)
    server.send()
    server.answer(1, refusal)
    assert server.window.refusals == {"TK-1/history": (refusal, False)}
    assert (server.send(), server.window.retry_s) == (0, server.now_s + 3.0)
    server.now_s += 3.0
    assert server.send() == 1
    assert server.sent[-1].position == 1
    server.answer_all()
    server.run(rounds=5)
    assert (server.cursor, server.lost, server.window.refusals) == (5, 0, {})


@pytest.mark.parametrize("refusal", [NOT_AUTHORIZED, UNSPECIFIED])
def test_one_topic_that_stays_refused_holds_the_others_up_for_some_minutes_only(refusal: Refusal) -> None:
    server = Server(streams(TANKS, 30))
    begun_s = server.now_s
    while server.now_s < begun_s + PATIENCE_S - 10.0:
        server.run({"TK-2/history": refusal}, rounds=1)
    assert server.cursor < 10
    assert server.lost == 0
    server.run({"TK-2/history": refusal})
    assert (server.cursor, server.lost) == (90, 30)
    assert server.window.refusals == {"TK-2/history": (refusal, True)}
    assert len(server.arrived) == 60


@pytest.mark.parametrize("refusal", [QUOTA_EXCEEDED, NOT_AUTHORIZED, UNSPECIFIED])
def test_where_nothing_of_history_is_taken_nothing_is_given_up(refusal: Refusal) -> None:
    """The rights of a whole server mistaken, or its disk full: as good as away, and what is kept stays kept."""
    server = Server(streams(TANKS, 30))
    all_refused = {stream_of(entry): refusal for entry in server.entries}
    for _ in range(20):
        server.run(all_refused, rounds=10)
        server.now_s += PATIENCE_S
    assert (server.delivered, server.lost, server.arrived) == ([], 0, [])
    server.run()
    assert (server.cursor, server.lost) == (90, 0)


def test_a_full_server_is_waited_for_though_it_takes_others() -> None:
    server = Server(streams(TANKS, 30))
    server.run({"TK-2/history": QUOTA_EXCEEDED})
    assert server.lost == 0
    assert server.cursor < 10


def test_a_topic_that_was_given_up_is_taken_again_as_soon_as_the_server_takes_it() -> None:
    server = Server(streams(TANKS, 300))
    server.run({"TK-2/history": NOT_AUTHORIZED}, rounds=320)
    lost = server.lost
    assert lost > 0
    server.run()
    assert (server.cursor, server.window.refusals) == (900, {})
    assert server.lost == lost


def test_one_entry_at_which_the_server_ends_each_connection_is_found_and_passed_over() -> None:
    """As some end it at a message that is too large for them."""
    server = Server(streams(TANKS, 10), most=8)
    poison = 14
    connections = 0
    for _ in range(1_000):
        server.take(5)
        server.send()
        if poison in positions(list(server.under_way.values())):
            # Those sent before it are answered, or not in time.
            if connections % 2:
                for number in [each for each, entry in server.under_way.items() if entry.position < poison]:
                    server.answer(number)
            connections += 1
            server.connection_ends()
        else:
            server.answer_all()
        if server.cursor == 30:
            break
    assert (server.cursor, server.lost) == (30, 1)
    assert set(positions(server.arrived)) == set(range(1, 31)) - {poison}
    # Two at most until it is alone, one more to be sure, and the strikes.
    assert STRIKES <= connections <= STRIKES + 3
    assert server.window.refusals == {} or ENDS_THE_CONNECTION in dict(server.window.refusals.values())


def test_a_server_that_comes_and_goes_costs_no_entry() -> None:
    """Each connection ends with something under way, and never twice at the same."""
    server = Server(streams(TANKS, 20))
    while server.cursor < 60:
        server.take(5)
        server.send()
        first = min(server.under_way)
        server.answer(first)
        server.take(5)
        server.send()
        server.connection_ends()
    assert server.lost == 0


def test_our_own_patience_is_no_strike() -> None:
    """A path that passes short messages only, or a server that is frozen again and again."""
    server = Server(streams(TANKS, 2))
    for _ in range(5 * STRIKES):
        server.take(5)
        server.send()
        server.connection_ends(by_server=False)
    server.run(rounds=20)
    assert (server.cursor, server.lost) == (6, 0)


def test_after_a_break_what_may_have_caused_it_goes_alone() -> None:
    server = Server(streams(TANKS, 10), most=4)
    for _ in range(3):
        server.take(9)
        server.send()
        server.answer_all()
    server.send()
    assert len(server.under_way) == 4
    last = max(positions(list(server.under_way.values())))
    server.connection_ends()
    server.take(20)
    while server.entries[server.cursor].position <= last:
        assert server.window.next_is_alone
        assert server.send() == 1
        assert server.window.alone_in_flight
        server.answer_all()
    assert not server.window.next_is_alone
    assert server.send() > 1


def test_an_entry_that_cannot_be_sent_at_all_is_passed_over() -> None:
    server = Server([kept_record(1), kept_event(2)])
    server.take(2)
    assert server.window.next(server.now_s) == server.entries[0]
    server.window.refused_unsent(TOO_LARGE, server.now_s)
    server.look()
    assert (server.delivered, server.lost) == ([1], 1)
    server.run(rounds=2)
    assert positions(server.arrived) == [2]
