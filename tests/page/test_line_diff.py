"""The lines that differ, drawn by the page: nothing is lost, and no fewer would do, as the longest common subsequence
computed here by the textbook table has it.
"""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.page.reading import Page

_DIFF = """
const { lineDiff } = await import("/page/code/parts/line_diff.js");
return arguments[0].map(([before, after]) => lineDiff(before, after));
"""
lines = st.lists(st.sampled_from(["a", "b", "c", "", "  tank:"]), max_size=14)
pairs = st.lists(st.tuples(lines, lines), min_size=10, max_size=40)


def _common(one: list[str], other: list[str]) -> int:
    """Length of the longest common subsequence (Wagner and Fischer, 1974)."""
    table = [[0] * (len(other) + 1) for _ in range(len(one) + 1)]
    for i, left in enumerate(one):
        for j, right in enumerate(other):
            table[i + 1][j + 1] = table[i][j] + 1 if left == right else max(table[i][j + 1], table[i + 1][j])
    return table[-1][-1]


def test_what_differs_is_all_of_it_and_no_more(modules: Page) -> None:
    @settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(pairs, st.sampled_from(["\n", "\r\n"]))
    def holds(given_pairs: list[tuple[list[str], list[str]]], end: str) -> None:
        texts = [("".join(f"{a}\n" for a in one), "".join(f"{b}{end}" for b in other)) for one, other in given_pairs]
        for (one, other), rows in zip(given_pairs, modules.promise(_DIFF, texts), strict=True):
            gone = [(row["before"], row["text"]) for row in rows if row["kind"] == "gone"]
            come = [(row["after"], row["text"]) for row in rows if row["kind"] == "come"]
            same = [(row["before"], row["after"], row["text"]) for row in rows if row["kind"] == "same"]
            assert all(one[number - 1] == text for number, text in gone)
            assert all(other[number - 1] == text for number, text in come)
            assert all(one[a - 1] == other[b - 1] == text for a, b, text in same)
            kept = [line for number, line in enumerate(one, 1) if number not in {each for each, _ in gone}]
            assert kept == [line for number, line in enumerate(other, 1) if number not in {each for each, _ in come}]
            assert len(gone) + len(come) == len(one) + len(other) - 2 * _common(one, other)
            skipped = sum(row["count"] for row in rows if row["kind"] == "skipped")
            assert len(same) + skipped == len(kept)

    holds()
    long = "".join(f"{number}\n" for number in range(5000))
    (rows,) = modules.promise(_DIFF, [(long, "".join(f"x{number}\n" for number in range(5000)))])
    assert [row["kind"] for row in rows] == ["gone"] * 5000 + ["come"] * 5000
