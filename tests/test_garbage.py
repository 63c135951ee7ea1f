"""What the garbage collector is told, and that it still does its work."""

import gc
import subprocess
import sys
import weakref
from pathlib import Path

from gateway.process.garbage import seldom_collected, settled_collector

ROOT = Path(__file__).parents[1]


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


def test_a_command_loads_its_modules_without_looking_through_them_and_cycles_are_found_all_the_same() -> None:
    before = gc.get_threshold()
    with seldom_collected():
        beginning = gc.get_threshold()[0]
        first = weakref.ref(_cycle())
        for _ in range(beginning):
            _cycle()
        assert first() is None
        with settled_collector():
            assert gc.get_threshold()[0] < beginning
        assert gc.get_threshold()[0] == beginning
    assert gc.get_threshold() == before


def test_what_a_command_makes_while_it_loads_is_less_than_what_sets_the_collector_going() -> None:
    program = "import gc; gc.disable(); import gateway.daemon; print(gc.get_count()[0])"
    told = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    with seldom_collected():
        assert int(told.stdout) < gc.get_threshold()[0]
