from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from gateway.delivery.live import Entry, LiveQueue
from tests.support.records import record

TANKS = ("TK-1", "TK-2", "TK-3")


def _sequences(queue: LiveQueue) -> list[tuple[str, int]]:
    """Take everything out."""
    taken = []
    while (entry := queue.take()) is not None:
        taken.append((entry.record.inventory.tank, entry.record.identity.sequence))
    return taken


def test_the_newest_supersedes_and_the_superseded_is_lost() -> None:
    queue = LiveQueue()
    for sequence in (1, 2, 3):
        queue.offer(record("TK-1", sequence), float(sequence))
    assert (queue.delivered, queue.lost, queue.waiting) == (0, 2, 1)
    assert queue.oldest_waiting_s(10.0) == 7.0
    assert _sequences(queue) == [("TK-1", 3)]


def test_a_fast_tank_does_not_starve_the_others() -> None:
    queue = LiveQueue()
    for tank in TANKS:
        queue.offer(record(tank, 1), 0.0)
    queue.offer(record("TK-1", 2), 1.0)
    first = queue.take()
    assert first is not None
    assert (first.record.inventory.tank, first.record.identity.sequence) == ("TK-1", 2)
    queue.offer(record("TK-1", 3), 2.0)
    assert _sequences(queue) == [("TK-2", 1), ("TK-3", 1), ("TK-1", 3)]


def test_after_a_broken_connection_the_newest_of_each_tank_waits_again() -> None:
    queue = LiveQueue()
    number = 0
    for sequence in (1, 2):
        for tank in ("TK-1", "TK-2"):
            queue.offer(record(tank, sequence), 0.0)
            entry = queue.take()
            assert entry is not None
            queue.sent(number := number + 1, entry)
    queue.offer(record("TK-2", 3), 0.0)
    queue.disconnected()
    assert (queue.delivered, queue.lost, queue.waiting) == (0, 3, 2)
    assert sorted(_sequences(queue)) == [("TK-1", 2), ("TK-2", 3)]


def test_a_repeat_after_reconnect_is_not_counted_twice() -> None:
    queue = LiveQueue()
    queue.offer(record("TK-1", 1), 0.0)
    entry = queue.take()
    assert entry is not None
    queue.sent(1, entry)
    queue.acknowledged(1)
    queue.repeat_newest()
    assert (queue.delivered, queue.lost, queue.waiting, queue.oldest_waiting_s(1.0)) == (1, 0, 0, None)
    queue.offer(record("TK-1", 2), 1.0)
    assert queue.lost == 0
    assert _sequences(queue) == [("TK-1", 2)]


def test_a_refused_record_is_lost_and_not_sent_again() -> None:
    queue = LiveQueue()
    queue.offer(record("TK-1", 1), 0.0)
    entry = queue.take()
    assert entry is not None
    queue.sent(1, entry)
    queue.refused(1)
    queue.repeat_newest()
    assert (queue.delivered, queue.lost, queue.waiting) == (0, 1, 0)
    assert queue.take() is None


class Bookkeeping(RuleBasedStateMachine):
    """Whatever happens in whatever order, every offered record is delivered, lost or waiting; memory is bounded."""

    def __init__(self) -> None:
        super().__init__()
        self.queue = LiveQueue()
        self.offered = 0
        self.number = 0
        self.flying: list[int] = []
        self.acknowledged: set[tuple[str, int]] = set()
        self.last: dict[str, int] = {}

    @rule(tank=st.sampled_from(TANKS))
    def offer(self, tank: str) -> None:
        self.offered += 1
        self.last[tank] = self.offered
        self.queue.offer(record(tank, self.offered), float(self.offered))

    @precondition(lambda self: len(self.flying) < 4)
    @rule(ready=st.booleans())
    def send(self, ready: bool) -> None:
        entry = self.queue.take()
        if entry is None:
            return
        if not ready:
            self.queue.put_back(entry)
            return
        self.number += 1
        self.queue.sent(self.number, entry)
        self.flying.append(self.number)

    @precondition(lambda self: self.flying)
    @rule(taken=st.booleans())
    def settle(self, taken: bool) -> None:
        number = self.flying.pop(0)
        assert self.queue.holds(number)
        if taken:
            entry: Entry = self.queue.acknowledged(number)
            self.acknowledged.add((entry.record.inventory.tank, entry.record.identity.sequence))
        else:
            self.queue.refused(number)

    @rule()
    def reconnect(self) -> None:
        self.queue.disconnected()
        self.flying.clear()
        self.queue.repeat_newest()

    @invariant()
    def nothing_is_uncounted(self) -> None:
        assert self.offered == self.queue.delivered + self.queue.lost + self.queue.waiting
        assert self.queue.delivered == len(self.acknowledged)

    @invariant()
    def memory_is_bounded(self) -> None:
        assert self.queue.waiting <= len(TANKS) + len(self.flying)


TestBookkeeping = Bookkeeping.TestCase
