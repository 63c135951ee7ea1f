"""Who guesses waits longer and longer; the one whose name is guessed does not."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.web.access.waits import LONGEST_OF_PAIR_S, LONGEST_OF_PEER_S, Waits


def _wrong(waits: Waits, name: str, peer: str, times: int, now_s: float = 0.0) -> float:
    """So many wrong ones, each as soon as it may be; when the last was."""
    for _ in range(times):
        now_s += waits.wait_s(name, peer, now_s)
        waits.begin(name, peer, now_s)
    return now_s


def test_a_few_are_free_and_then_each_wait_is_twice_the_one_before() -> None:
    waits, now_s, told = Waits(), 0.0, []
    for _ in range(16):
        wait_s = waits.wait_s("anna", "192.0.2.7", now_s)
        told.append(wait_s)
        now_s += wait_s
        waits.begin("anna", "192.0.2.7", now_s)
    assert told[:5] == [0.0] * 5
    assert told[5:14] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0]
    assert told[14:] == [LONGEST_OF_PAIR_S] * 2


def test_a_day_of_guessing_from_one_address_is_a_few_hundred_tries() -> None:
    waits, now_s, tries = Waits(), 0.0, 0
    while now_s < 86_400.0:
        now_s += waits.wait_s("anna", "192.0.2.7", now_s)
        waits.begin("anna", "192.0.2.7", now_s)
        tries += 1
    # 86400 s by 300 s each, and the first fourteen, which take 511 s together.
    assert 86_400 / LONGEST_OF_PAIR_S - 2 <= tries <= 86_400 / LONGEST_OF_PAIR_S + 14


def test_whoever_guesses_a_name_makes_its_owner_wait_for_nothing() -> None:
    waits = Waits()
    now_s = max(_wrong(waits, "anna", f"198.51.100.{host}", 30) for host in range(100))
    assert waits.wait_s("anna", "192.0.2.7", now_s) == 0.0
    waits.begin("anna", "192.0.2.7", now_s)
    assert waits.wait_s("anna", "192.0.2.7", now_s) == 0.0, "he may mistype once"
    waits.right("anna", "192.0.2.7")
    assert waits.wait_s("anna", "192.0.2.7", now_s) == 0.0


def test_a_name_that_is_guessed_from_everywhere_leaves_each_address_fewer_tries() -> None:
    waits = Waits()
    for host in range(10):
        _wrong(waits, "anna", f"198.51.100.{host}", 2)
    _wrong(waits, "anna", "198.51.100.99", 2)
    assert waits.wait_s("anna", "198.51.100.99", 0.0) == 1.0
    assert Waits().wait_s("anna", "198.51.100.99", 0.0) == 0.0


def test_one_address_tries_many_names_no_longer_than_a_while() -> None:
    waits = Waits()
    for number in range(40):
        assert waits.wait_s(f"name {number}", "192.0.2.7", 0.0) == 0.0
        waits.begin(f"name {number}", "192.0.2.7", 0.0)
    assert waits.wait_s("another", "192.0.2.7", 0.0) == 1.0
    now_s = _wrong(waits, "another", "192.0.2.7", 20)
    assert 0.0 < waits.wait_s("one more", "192.0.2.7", now_s) <= LONGEST_OF_PEER_S


def test_many_at_once_are_no_way_around() -> None:
    waits = Waits()
    begun = 0
    while waits.wait_s("anna", "192.0.2.7", 0.0) == 0.0:
        waits.begin("anna", "192.0.2.7", 0.0)
        begun += 1
    assert begun == 5


def test_it_is_forgotten_after_an_hour_without_one() -> None:
    waits = Waits()
    now_s = _wrong(waits, "anna", "192.0.2.7", 12)
    assert waits.wait_s("anna", "192.0.2.7", now_s) > 0.0
    assert waits.wait_s("anna", "192.0.2.7", now_s + 3601.0) == 0.0


@given(st.lists(st.tuples(st.text(max_size=3), st.text(max_size=3)), max_size=300))
def test_memory_is_bounded_whatever_is_tried(tried: list[tuple[str, str]]) -> None:
    waits = Waits(most=10)
    for name, peer in tried:
        waits.begin(name, peer, 0.0)
    assert waits.size <= 30
