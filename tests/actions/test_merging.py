"""Two masters of one fact: the newer `entered` is used, and the other is named."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from gateway.actions.merging import merged
from gateway.binding import Maintenance, ManualValue, Source, TankBinding

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
FIELDS = ("manual_level", "manual_water", "manual_temperature", "sediment_water", "reference_density")
DATES = st.none() | st.integers(-100, 100).map(lambda hours: NOON + timedelta(hours=hours))


def binding(field: str, value: ManualValue | None) -> TankBinding:
    given = {} if value is None else {field: value}
    return TankBinding("TK-1", level=Source("LT-1", "innage", 60.0), **given)  # type: ignore[arg-type]


@given(st.sampled_from(FIELDS), DATES, st.integers(-100, 100), st.booleans())
def test_the_newer_is_used(field: str, site: datetime | None, hours: int, there: bool) -> None:
    entered = ManualValue(2.0, NOON + timedelta(hours=hours), origin="entry")
    before = binding(field, ManualValue(1.0, site) if there else None)
    made = merged(before, {field: entered})
    is_newer = not there or site is None or entered.entered is None or entered.entered >= site
    assert getattr(made.binding, field) == (entered if is_newer else getattr(before, field))
    assert made.used == ({field} if is_newer else set())
    assert (field in made.others) is there
    if there:
        assert made.others[field].endswith("it is older, and not used" if is_newer else "it is newer, and used")


def test_a_tank_has_one_density_whichever_it_is() -> None:
    observed = ManualValue(801.0, NOON, origin="entry")
    made = merged(binding("reference_density", ManualValue(838.0)), {"observed_density": observed})
    assert (made.binding.reference_density, made.binding.observed_density) == (None, observed)
    assert made.others["observed_density"].startswith("the site file gives 838 kg/m3, without a date")
    later = merged(
        binding("observed_density", ManualValue(801.0, NOON)),
        {"reference_density": ManualValue(838.0, NOON + timedelta(hours=1))},
    )
    assert later.binding.observed_density is None


def test_a_share_is_told_in_percent() -> None:
    made = merged(binding("sediment_water", ManualValue(0.003)), {"sediment_water": ManualValue(0.004, NOON)})
    assert made.others["sediment_water"].startswith("the site file gives 0.3 %, without a date")


def test_maintenance_belongs_to_the_tanks_that_an_instrument_feeds() -> None:
    mine = Maintenance("LT-1", NOON, "anna")
    other = Maintenance("LT-2", NOON, "anna")
    assert merged(binding("manual_level", None), {}, (mine, other)).binding.maintenance == (mine,)


def test_where_nothing_is_entered_the_binding_is_the_same_one() -> None:
    before = binding("manual_level", None)
    assert merged(before, {}).binding is before
