"""The bench of the finder of byte orders measures what it says: a short run of it."""

from tests.bench.dip_matches import rates


def test_two_dips_prove_the_level_and_nothing_else() -> None:
    found = rates(25, 7)
    assert found.two_dips == 0.0
    assert found.proved > 0.9
    assert 0.1 < found.one_dip_innage <= found.one_dip < 0.7, "one dip is met by chance now and then"
