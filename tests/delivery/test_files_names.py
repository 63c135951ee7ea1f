import re
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from gateway.delivery.files.names import final_name, safe_name, span_of, unfinished_name, unfinished_of

_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(10))}
"""Names of devices under Windows, before the first dot (Naming Files, Paths, and Namespaces; learn.microsoft.com)."""
_NAMES = st.one_of(
    st.text(min_size=1, max_size=20), st.sampled_from(["..", ".", "CON", "nul.1", "-rf", "a/b", "Köln", "%41"])
)
_EACH = st.sampled_from([60.0, 900.0, 3600.0, 86_400.0])
_INSTANTS = st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001


def test_names_by_day_and_by_hour() -> None:
    instant = datetime(2026, 3, 14, 23, 59, 59, tzinfo=UTC)
    day, hour = span_of(instant, 86_400.0), span_of(instant, 3600.0)
    assert final_name("harbour", day, "records", 1, "csv") == "harbour_2026-03-14_records.csv"
    assert final_name("harbour", hour, "events", 2, "parquet") == "harbour_2026-03-14_230000_events_2.parquet"
    assert (day.end, hour.start) == (datetime(2026, 3, 15, tzinfo=UTC), datetime(2026, 3, 14, 23, tzinfo=UTC))


@given(name=_NAMES)
def test_the_name_of_no_site_leads_elsewhere_or_is_hidden_or_a_device(name: str) -> None:
    file = final_name(safe_name(name), span_of(datetime(2026, 3, 14, tzinfo=UTC), 86_400.0), "records", 1, "csv")
    assert re.fullmatch(r"[A-Za-z0-9_%][A-Za-z0-9_%-]*\.csv", file)
    assert file.partition(".")[0].lower() not in _RESERVED


@given(one=_NAMES, other=_NAMES)
def test_two_sites_have_two_names(one: str, other: str) -> None:
    assert (safe_name(one) == safe_name(other)) == (one == other)


@given(instant=_INSTANTS, each_s=_EACH)
def test_each_instant_lies_in_one_span_that_begins_with_the_day(instant: datetime, each_s: float) -> None:
    span = span_of(instant, each_s)
    assert span.start <= instant < span.end
    assert span.end - span.start == timedelta(seconds=each_s)
    assert (span.start - datetime(1970, 1, 1, tzinfo=UTC)) % timedelta(seconds=each_s) == timedelta(0)
    assert span_of(span.end, each_s) != span


@given(name=_NAMES, other=_NAMES, instant=_INSTANTS, each_s=_EACH, part=st.integers(1, 99))
def test_an_unfinished_file_is_known_again_by_its_own_site_alone(
    name: str, other: str, instant: datetime, each_s: float, part: int
) -> None:
    span = span_of(instant, each_s)
    found = unfinished_of(unfinished_name(safe_name(name), span, "events", part), safe_name(name))
    assert found is not None
    assert (found.sort, found.span.name, found.span.start, found.part) == ("events", span.name, span.start, part)
    if other != name:
        assert unfinished_of(unfinished_name(safe_name(other), span, "events", part), safe_name(name)) is None


def test_what_is_no_unfinished_file() -> None:
    for file in (
        ".harbour.tank-gateway.json",
        "harbour_2026-03-14_records.csv",
        ".harbour_2026-13-14_records.csv.unfinished",
    ):
        assert unfinished_of(file, "harbour") is None
