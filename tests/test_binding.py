"""Readings and manual values become ages, qualities and reasons."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from gateway.binding import Maintenance, ManualValue, Source, TankBinding, bind, newest, received
from gateway.calculation.doubts.recurrence import QUIET
from gateway.records import Ending, Input, Quality, Reading, Reason, ReasonCode

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NOON_NS = round(NOON.timestamp() * 1e9)
S = 1_000_000_000
LEVEL = Source("LT-1", "innage", 60.0)
LEVEL_EACH_2_S = Source("LT-1", "innage", 60.0, overdue_after_s=10.0)


def reading(value: float | None = 5.0, code: ReasonCode | None = None, at_s: float = 100.0) -> Reading:
    quality = Quality.GOOD if code is None else Quality.BAD
    reason = None if code is None else Reason(code, "LT-1 does not answer")
    return Reading("LT-1", "innage", value, quality, reason, 0, round(at_s * S), (5000,))


def code_and_text(given: Input | Reading) -> tuple[ReasonCode, str] | None:
    return None if given.reason is None else (given.reason.code, given.reason.text)


def test_reading_carries_its_monotonic_age_whatever_the_clock_says() -> None:
    tank_input = bind(TankBinding("TK-1", level=LEVEL), {("LT-1", "innage"): reading()}, 0, 104 * S)
    assert tank_input.level is not None
    assert (tank_input.level.value, tank_input.level.age_s, tank_input.level.source) == (5.0, 4.0, "LT-1.innage")


def test_reading_is_stale_after_its_limit_and_bad_without_value() -> None:
    latest = {("LT-1", "innage"): reading()}
    at_the_limit = bind(TankBinding("TK-1", level=LEVEL), latest, NOON_NS, 160 * S).level
    beyond = bind(TankBinding("TK-1", level=LEVEL), latest, NOON_NS, 161 * S).level
    assert at_the_limit is not None
    assert at_the_limit.quality == Quality.GOOD
    assert beyond is not None
    assert (beyond.value, beyond.quality) == (None, Quality.BAD)
    assert code_and_text(beyond) == (ReasonCode.STALE, "LT-1.innage was last read 61 s ago")


def test_a_value_whose_polls_were_missed_is_doubted_before_it_is_stale() -> None:

    def at(seconds: float, given: Reading) -> Input:
        binding = TankBinding("TK-1", level=LEVEL_EACH_2_S)
        level = bind(binding, {LEVEL_EACH_2_S.key: given}, NOON_NS, round(seconds * S)).level
        assert level is not None
        return level

    assert (at(110.0, reading()).quality, at(110.0, reading()).reason) == (Quality.GOOD, None)
    overdue = at(111.0, reading())
    text = "LT-1.innage is overdue, last read 11 s ago: its line or the gateway is held up"
    assert (overdue.value, overdue.quality) == (5.0, Quality.UNCERTAIN)
    assert code_and_text(overdue) == (ReasonCode.OVERDUE, text)
    assert at(160.0, reading()).quality == Quality.UNCERTAIN
    assert at(161.0, reading()).quality == Quality.BAD

    known = newest(reading(), reading(None, ReasonCode.NO_ANSWER, at_s=102))
    assert at(111.0, known).reason == known.reason, "what is known of the cause says more"
    refused = reading(None, ReasonCode.DEVICE_EXCEPTION)
    assert (at(111.0, refused).quality, at(111.0, refused).reason) == (Quality.BAD, refused.reason)


def test_a_dry_water_probe_whose_polls_were_missed_is_still_told_from_a_missing_value() -> None:
    dry = Reading("LT-1", "innage", None, Quality.GOOD, Reason(ReasonCode.NONE_DETECTED, "dry"), 0, 100 * S, (65535,))
    water = bind(TankBinding("TK-1", water=LEVEL_EACH_2_S), {LEVEL_EACH_2_S.key: dry}, NOON_NS, 111 * S).water
    assert water is not None
    assert (water.value, water.quality) == (None, Quality.UNCERTAIN)
    assert water.reason is not None
    assert water.reason.code == ReasonCode.NONE_DETECTED
    assert water.reason.text.startswith("nothing detected when last read; LT-1.innage is overdue")


def test_before_the_first_read_there_is_no_value() -> None:
    level = bind(TankBinding("TK-1", level=LEVEL), {}, NOON_NS, 0).level
    assert level is not None
    assert level.value is None
    assert level.reason is not None
    assert level.reason.code == ReasonCode.NOT_YET_READ


def test_an_instrument_not_heard_keeps_its_value_uncertain_with_its_own_time() -> None:
    kept = newest(reading(at_s=100), reading(None, ReasonCode.NO_ANSWER, at_s=102))
    assert (kept.value, kept.quality, kept.monotonic_ns) == (5.0, Quality.UNCERTAIN, 100 * S)
    assert kept.reason is not None
    assert kept.reason.code == ReasonCode.NO_ANSWER
    still = newest(kept, reading(None, ReasonCode.NO_CONNECTION, at_s=104))
    assert still.monotonic_ns == 100 * S
    stale = bind(TankBinding("TK-1", level=LEVEL), {("LT-1", "innage"): still}, NOON_NS, 161 * S).level
    assert stale is not None
    assert code_and_text(stale) == (ReasonCode.STALE, "LT-1.innage was last read 61 s ago: LT-1 does not answer")
    stale = bind(TankBinding("TK-1", level=LEVEL), {("LT-1", "innage"): still}, NOON_NS, 5_500 * S).level
    assert stale is not None
    assert code_and_text(stale) == (ReasonCode.STALE, "LT-1.innage was last read 90 min ago: LT-1 does not answer")


def test_a_value_missed_again_and_again_stays_uncertain_and_says_how_often() -> None:
    silent = reading(None, ReasonCode.NO_ANSWER)
    kept, missed = received(None, reading(), QUIET, late=False)
    for now in (silent, reading(6.0)):
        kept, missed = received(kept, now, missed, late=False)
    assert (kept.value, kept.quality) == (6.0, Quality.GOOD), "once is no rule"
    for now in (silent, reading(7.0)):
        kept, missed = received(kept, now, missed, late=False)
    assert (kept.value, kept.quality) == (7.0, Quality.UNCERTAIN)
    text = "LT-1.innage came late or not at all 2 times in its last 40 polls"
    assert code_and_text(kept) == (ReasonCode.OVERDUE, text)
    said = reading(None, ReasonCode.SENTINEL)
    assert received(kept, said, missed, late=False)[0] is said, "what the instrument says counts at once"


def test_an_outage_is_one_miss_however_long_it_lasts() -> None:
    kept, missed = received(None, reading(), QUIET, late=False)
    for _ in range(30):
        kept, missed = received(kept, reading(None, ReasonCode.NO_CONNECTION), missed, late=False)
    assert kept.quality is Quality.UNCERTAIN
    assert received(kept, reading(), missed, late=False)[0] == reading()


def test_coming_late_counts_as_a_miss() -> None:
    kept, missed = received(None, reading(), QUIET, late=True)
    assert kept.quality is Quality.GOOD, "it is here now"
    kept, missed = received(kept, reading(), missed, late=True)
    assert kept.quality is Quality.UNCERTAIN


def test_dry_water_probe_not_heard_stays_dry_uncertain_until_stale() -> None:
    dry = Reading("WT-1", "water", None, Quality.GOOD, Reason(ReasonCode.NONE_DETECTED, "dry"), 0, 100 * S, (65535,))
    kept = newest(dry, reading(None, ReasonCode.NO_ANSWER, at_s=102))
    assert (kept.value, kept.quality, kept.monotonic_ns) == (None, Quality.UNCERTAIN, 100 * S)
    text = "nothing detected when last read; LT-1 does not answer"
    assert code_and_text(kept) == (ReasonCode.NONE_DETECTED, text)
    again = newest(kept, reading(None, ReasonCode.NO_CONNECTION, at_s=104))
    assert again == kept._replace(reason=again.reason)
    assert code_and_text(again) == (ReasonCode.NONE_DETECTED, text)
    assert newest(reading(None, ReasonCode.SENTINEL), reading(None, ReasonCode.NO_ANSWER)).value is None


@pytest.mark.parametrize(
    "code",
    [
        ReasonCode.BAD_FRAME,
        ReasonCode.DEVICE_STILL_WORKING,
        ReasonCode.DEVICE_BUSY,
        ReasonCode.PATH_UNAVAILABLE,
        ReasonCode.TARGET_SILENT,
    ],
)
def test_what_says_nothing_of_the_value_leaves_it_uncertain(code: ReasonCode) -> None:
    """MODBUS Application Protocol V1.1b3, section 7: exceptions 5, 6, 10 and 11 are not about the data."""
    kept = newest(reading(), reading(None, code))
    assert (kept.value, kept.quality) == (5.0, Quality.UNCERTAIN)
    assert kept.reason is not None
    assert kept.reason.code is code


def test_answers_that_stay_behind_take_the_value_at_once() -> None:
    assert newest(reading(), reading(None, ReasonCode.ANSWERS_SHIFTED)).quality is Quality.BAD


def test_what_an_instrument_says_counts_at_once() -> None:
    said = reading(None, ReasonCode.SENTINEL)
    assert newest(reading(), said) is said
    assert newest(reading(), reading(None, ReasonCode.DEVICE_EXCEPTION)).value is None
    assert newest(None, reading(None, ReasonCode.NO_ANSWER)).quality == Quality.BAD
    assert newest(said, reading(6.0)).value == 6.0


def manual(substitutes: bool, **changes: object) -> ManualValue:
    fields: dict[str, object] = {"entered": NOON - timedelta(hours=2), "expires": NOON + timedelta(hours=1)}
    return ManualValue(61.2, substitutes=substitutes, **(fields | changes))  # type: ignore[arg-type]


def test_manual_value_in_place_of_an_instrument_is_uncertain_and_ends_with_its_expiry() -> None:
    binding = TankBinding("TK-1", manual_temperature=manual(True))
    given = bind(binding, {}, NOON_NS, 0).manual_temperature
    assert given is not None
    assert (given.value, given.quality, given.manual, given.age_s) == (61.2, Quality.UNCERTAIN, True, 7200.0)
    over = bind(binding, {}, NOON_NS + 3600 * S, 0).manual_temperature
    assert over is not None
    assert (over.value, over.quality) == (None, Quality.BAD)
    assert over.reason is not None
    assert over.reason.code is ReasonCode.MANUAL_EXPIRED


def test_dated_density_is_good_within_its_validity_and_uncertain_after_it() -> None:
    binding = TankBinding("TK-1", reference_density=manual(False))
    given = bind(binding, {}, NOON_NS, 0).reference_density
    assert given is not None
    assert (given.quality, given.manual) == (Quality.GOOD, True)
    after = bind(binding, {}, NOON_NS + 3600 * S, 0).reference_density
    assert after is not None
    assert (after.value, after.quality) == (61.2, Quality.UNCERTAIN)
    assert after.reason is not None
    assert after.reason.code == ReasonCode.MANUAL_EXPIRED


def test_value_from_the_future_is_uncertain_because_the_clock_or_the_date_is_wrong() -> None:
    binding = TankBinding("TK-1", reference_density=manual(False), manual_water=manual(False))
    woken_in_1970 = bind(binding, {}, 10 * S, 0)
    for given in (woken_in_1970.reference_density, woken_in_1970.dip_water):
        assert given is not None
        assert (given.value, given.quality) == (61.2, Quality.UNCERTAIN)
        assert given.reason is not None
        assert given.reason.code == ReasonCode.CLOCK_UNTRUSTED
    two_minutes_early = bind(binding, {}, NOON_NS - 7320 * S, 0).reference_density
    assert two_minutes_early is not None
    assert two_minutes_early.quality == Quality.GOOD


def test_nominal_density_is_never_better_than_uncertain() -> None:
    given = bind(TankBinding("TK-1", reference_density=ManualValue(838.0)), {}, NOON_NS, 0).reference_density
    assert given is not None
    assert given.quality == Quality.UNCERTAIN
    assert given.reason is not None
    assert given.reason.code == ReasonCode.DENSITY_UNDATED


def test_nothing_fitted_is_nothing_given() -> None:
    tank_input = bind(TankBinding("TK-1"), {}, NOON_NS, 0)
    assert tank_input.level is tank_input.water is tank_input.reference_density is None
    assert tank_input.elements == ()
    assert tank_input.instant == NOON


def ohm_input(ohm: float) -> Input:
    source = Source("RM-1", "r1", 60.0, nominal_ohm=100.0)
    read = Reading("RM-1", "r1", ohm, Quality.GOOD, None, 0, 100 * S, (1,))
    (element,) = bind(TankBinding("TK-1", elements=(source,)), {("RM-1", "r1"): read}, NOON_NS, 101 * S).elements
    return element


def test_a_resistance_becomes_a_temperature() -> None:
    """IEC 60751:2008 Table 1: 107.79 ohm at 20 degC, 84.27 ohm at -40 degC."""
    for ohm, expected_c in ((107.79, 20.0), (84.27, -40.0), (123.24, 60.0)):
        element = ohm_input(ohm)
        assert element.value is not None
        assert abs(element.value - expected_c) < 0.02
        assert element.quality == Quality.GOOD


def test_an_open_or_shorted_element_is_bad_not_hot_or_cold() -> None:
    for ohm in (500.0, 181.0, 59.0, 0.0):
        element = ohm_input(ohm)
        assert (element.value, element.quality) == (None, Quality.BAD)
        assert element.reason is not None
        assert element.reason.text.startswith("RM-1.r1: resistance")


def test_a_density_at_tank_temperature_is_uncertain_after_a_day() -> None:
    fresh = ManualValue(835.0, entered=NOON - timedelta(hours=23), expires=NOON + timedelta(days=9))
    old = ManualValue(835.0, entered=NOON - timedelta(hours=25), expires=NOON + timedelta(days=9))
    given = bind(TankBinding("TK-1", observed_density=fresh), {}, NOON_NS, 0).observed_density
    assert given is not None
    assert given.quality == Quality.GOOD
    given = bind(TankBinding("TK-1", observed_density=old), {}, NOON_NS, 0).observed_density
    assert given is not None
    assert (given.value, given.quality) == (835.0, Quality.UNCERTAIN)
    assert given.reason is not None
    assert "25 h ago" in given.reason.text


@pytest.mark.parametrize(
    ("holds", "hours_before", "told"),
    [
        (timedelta(days=31), 49.0, False),
        (timedelta(days=31), 48.0, True),
        (timedelta(days=7), 42.5, False),
        (timedelta(days=7), 42.0, True),
        (timedelta(hours=24), 6.5, False),
        (timedelta(hours=24), 6.0, True),
        (timedelta(hours=24), -1.0, True),
    ],
)
def test_what_ends_soon_is_told_two_days_or_a_quarter_of_its_time_ahead(
    holds: timedelta, hours_before: float, told: bool
) -> None:
    now = datetime.fromtimestamp(NOON_NS / 1e9, UTC)
    expires = now + timedelta(hours=hours_before)
    manual = ManualValue(838.0, entered=expires - holds, expires=expires)
    endings = bind(TankBinding("TK-1", reference_density=manual), {}, NOON_NS, 0).endings
    assert endings == ((Ending("reference_density", expires),) if told else ())


def told(**given: object) -> str:
    """The sentence about the one field of a tank's input that has one."""
    at_ns = given.pop("at_ns", NOON_NS)
    assert isinstance(at_ns, int)
    latest = given.pop("latest", {})
    tank_input = bind(TankBinding("TK-1", **given), latest, at_ns, 200 * S)  # type: ignore[arg-type]
    found = [each.reason for each in tank_input if isinstance(each, Input) and each.reason is not None]
    assert len(found) == 1
    return found[0].text


def test_each_sentence_about_what_people_enter() -> None:
    before = NOON - timedelta(days=2)
    assert told(manual_level=ManualValue(9.412, before, NOON)) == "manual value 9.412 m expired at 2026-11-25 12:00 UTC"
    expired = told(manual_temperature=ManualValue(61.25, before, NOON))
    assert expired == "manual value 61.25 degC expired at 2026-11-25 12:00 UTC"
    expired = told(sediment_water=ManualValue(0.003, before, NOON, origin="site file"))
    assert expired == "site file value 0.3 % expired at 2026-11-25 12:00 UTC"
    expired = told(reference_density=ManualValue(838.25, before, NOON, origin="sample"))
    assert expired == "sample value 838.25 kg/m3 expired at 2026-11-25 12:00 UTC"
    early = NOON + timedelta(minutes=6, seconds=59)
    assert told(manual_water=ManualValue(0.035, early)) == (
        "manual value 0.035 m was entered at 2026-11-25 12:06 UTC, after the present 2026-11-25 12:00 UTC: "
        "see to the clock, or to the date"
    )
    assert told(sediment_water=ManualValue(0.0125, early)).startswith("manual value 1.25 % was entered at 2026-11-25")
    assert told(manual_level=ManualValue(9.4, substitutes=True)) == "manual value in place of an instrument"
    assert told(reference_density=ManualValue(838.25)) == "nominal density 838.25 kg/m3, no dated sample"
    far = "25.0 degC is far {from} its reference"
    sampled = ManualValue(838.0, entered=NOON - timedelta(days=1), doubt=Reason(ReasonCode.METHOD_DOUBTFUL, far))
    assert told(reference_density=sampled) == far
    old = ManualValue(835.0, entered=NOON - timedelta(hours=25, minutes=40))
    assert told(observed_density=old) == (
        "density at tank temperature of 26 h ago: the contents may have warmed or cooled since"
    )


@pytest.mark.parametrize(
    "instant", [datetime.max.replace(tzinfo=UTC), datetime(2200, 1, 1, 0, 0, 59, 999_999, tzinfo=UTC), NOON]
)
def test_whatever_time_a_person_writes_can_be_told(instant: datetime) -> None:
    """The last microsecond of all times is the year 10000 as a float of seconds."""
    given = ManualValue(9.4, entered=instant)
    assert f"entered at {instant:%Y-%m-%d %H:%M} UTC" in told(manual_level=given, at_ns=0)


def test_each_sentence_about_what_was_read() -> None:
    key = LEVEL_EACH_2_S.key
    assert told(level=LEVEL) == "LT-1.innage has not been read yet"
    gone = reading(None, ReasonCode.NO_ANSWER, at_s=20.0)
    assert told(level=LEVEL, latest={key: gone}) == "LT-1.innage was last read 3 min ago: LT-1 does not answer"
    assert told(level=LEVEL, latest={key: reading(at_s=-7100.0)}) == "LT-1.innage was last read 2.0 h ago"
    assert told(level=LEVEL_EACH_2_S, latest={key: reading(at_s=189.0)}) == (
        "LT-1.innage is overdue, last read 11 s ago: its line or the gateway is held up"
    )
    shorted = Source("RM-1", "r1", 60.0, nominal_ohm=100.0)
    ohm = Reading("RM-1", "r1", 59.0, Quality.GOOD, None, 0, 200 * S, (1,))
    assert told(second_level=shorted, latest={shorted.key: ohm}) == (
        "RM-1.r1: resistance 59 ohm is below 60 ohm: the element or its leads look short-circuited "
        "(open and short circuit of an element in tank service, common practice)"
    )
    unheard = newest(reading(None), reading(None, ReasonCode.NO_ANSWER))
    assert unheard.reason is not None
    assert unheard.reason.text == "nothing detected when last read; LT-1 does not answer"


def test_the_sentence_about_a_clock_that_cannot_be() -> None:
    doubt = bind(TankBinding("TK-1"), {}, 1_000_059_000_000_000, 0).clock_doubt
    assert doubt is not None
    assert doubt.text == "the clock of this machine says 1970-01-12 13:47 UTC, which cannot be: set it"


def in_maintenance(given: Reading | None, at_s: float = 101.0, now: datetime = NOON) -> Input:
    work = Maintenance("LT-1", NOON + timedelta(hours=4), "anna")
    binding = TankBinding("TK-1", level=LEVEL, maintenance=(work,))
    latest = {} if given is None else {LEVEL.key: given}
    level = bind(binding, latest, round(now.timestamp() * 1e9), round(at_s * S)).level
    assert level is not None
    return level


def test_an_instrument_in_maintenance_keeps_its_value_uncertain_until_it_ends() -> None:
    level = in_maintenance(reading())
    assert (level.value, level.quality) == (5.0, Quality.UNCERTAIN)
    text = "LT-1 is in maintenance until 2026-11-25 16:00 UTC, as anna said"
    assert code_and_text(level) == (ReasonCode.IN_MAINTENANCE, text)
    after = in_maintenance(reading(), now=NOON + timedelta(hours=4))
    assert (after.value, after.quality, after.reason) == (5.0, Quality.GOOD, None)


def test_what_is_wrong_with_an_instrument_in_maintenance_stands_behind_that() -> None:
    text = "LT-1 is in maintenance until 2026-11-25 16:00 UTC, as anna said; "
    failed = in_maintenance(reading(None, ReasonCode.SENTINEL))
    assert (failed.value, failed.quality) == (None, Quality.BAD)
    assert code_and_text(failed) == (ReasonCode.IN_MAINTENANCE, text + "LT-1 does not answer")
    assert in_maintenance(None).reason is not None
    assert code_and_text(in_maintenance(None)) == (
        ReasonCode.IN_MAINTENANCE,
        text + "LT-1.innage has not been read yet",
    )
    stale = in_maintenance(reading(), at_s=300.0)
    assert (stale.value, stale.quality) == (None, Quality.BAD)
    assert code_and_text(stale) == (ReasonCode.IN_MAINTENANCE, text + "LT-1.innage was last read 3 min ago")


def test_a_dry_probe_in_maintenance_is_still_told_from_a_missing_value() -> None:
    dry = Reading("LT-1", "innage", None, Quality.GOOD, Reason(ReasonCode.NONE_DETECTED, "dry"), 0, 100 * S, (0,))
    level = in_maintenance(dry)
    assert (level.value, level.quality) == (None, Quality.UNCERTAIN)
    assert code_and_text(level) == (
        ReasonCode.NONE_DETECTED,
        "nothing detected when last read; LT-1 is in maintenance until 2026-11-25 16:00 UTC, as anna said; dry",
    )


def test_only_the_instrument_that_is_worked_on_is_doubted() -> None:
    single: dict[str, Any] = {
        "level": Source("LT-1", "innage", 60.0),
        "second_level": Source("LT-2", "innage", 60.0),
        "bottom_pressure": Source("PT-1", "bottom", 60.0),
        "vapour_pressure": Source("PT-2", "vapour", 60.0),
        "water": Source("WT-1", "water", 60.0),
        "ambient": Source("AT-1", "air", 60.0),
    }
    elements = (Source("TT-1", "t1", 60.0), Source("TT-2", "t2", 60.0))
    binding = TankBinding("TK-1", elements=elements, flows=(Source("FT-1", "flow", 60.0),), **single)
    latest = {
        each.key: Reading(each.instrument, each.signal, 5.0, Quality.GOOD, None, 0, 100 * S, ())
        for each in binding.sources
    }
    for source in binding.sources:
        work = Maintenance(source.instrument, NOON + timedelta(hours=4), "anna")
        given = bind(replace(binding, maintenance=(work,)), latest, NOON_NS, 101 * S)
        one_by_one = [getattr(given, name) for name in single]
        inputs: list[Input] = [*one_by_one, *given.elements, *given.flows]
        assert len(inputs) == 9
        doubted = [each.source for each in inputs if each.quality is not Quality.GOOD]
        assert doubted == [source.name]
