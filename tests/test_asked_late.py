"""What is made only when somebody looks into it: once, and then the same."""

from gateway.asked_late import AskedLate


def test_it_is_asked_once_and_only_by_whoever_looks() -> None:
    asked: list[int] = []

    def ask() -> list[int]:
        asked.append(len(asked))
        return [3, 1, 2]

    late = AskedLate(ask)
    assert asked == []
    assert list(late) == [3, 1, 2]
    assert (len(late), late[1], late[:2], 2 in late, sorted(late)) == (3, 1, [3, 1], True, [1, 2, 3])
    assert asked == [0]
