"""What the garbage collector is told, and that it still does its work."""

import gc
import weakref

from gateway.process.garbage import settled_collector


class Node:
    """One end of a cycle."""

    def __init__(self) -> None:
        self.other: Node | None = None


def _cycle() -> Node:
    first, second = Node(), Node()
    first.other, second.other = second, first
    return first


def test_what_was_there_is_left_alone_and_all_is_as_before_afterwards() -> None:
    before, frozen = gc.get_threshold(), gc.get_freeze_count()
    with settled_collector():
        assert gc.get_freeze_count() > frozen
        assert gc.get_threshold()[0] > before[0]
        assert gc.isenabled()
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0


def test_cycles_are_found_all_the_same_when_they_pile_up() -> None:
    with settled_collector():
        first = weakref.ref(_cycle())
        assert first() is not None
        for _ in range(gc.get_threshold()[0]):
            _cycle()
        assert first() is None
