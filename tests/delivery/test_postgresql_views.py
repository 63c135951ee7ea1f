"""What an accountant or a dashboard reads, by psql, which knows nothing of us: the views of a database."""

import asyncio
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gateway.delivery.contract import Surroundings
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.history import KeptRecord
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.tank_record import TankRecord
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox
from tests.support.postgres import Postgres, postgresql_plan
from tests.support.records import BOOT, bad, inventory, record_of, snapshot

DOUBT = Reason(ReasonCode.STRATIFIED, "layers")


def good(value: float) -> Figure:
    return Figure(value, Quality.GOOD, (), 1.0)


def doubtful(value: float) -> Figure:
    return Figure(value, Quality.UNCERTAIN, (DOUBT,), 1.0)


def kept(instant: datetime, sequence: int, gsv: Figure, *, tank: str = "TK-1", site: str = "harbour") -> KeptRecord:
    return KeptRecord(sequence, record_of(site, BOOT, sequence, inventory(tank, instant=instant, gsv=gsv)), None)


@pytest.fixture
def plan(postgres: Postgres, tmp_path: Path) -> PostgresqlPlan:
    number = postgres.psql("SELECT count(*) FROM pg_database")[0]
    return postgresql_plan(postgres, tmp_path, database=postgres.database(f"views_{number}"))


async def delivered(
    plan: PostgresqlPlan, entries: Sequence[KeptRecord], *, zone: str = "UTC", site: str = "harbour"
) -> None:
    numbered = [entry._replace(position=index) for index, entry in enumerate(entries, 1)]
    outbox = MemoryOutbox(numbered)
    around = Surroundings(
        site, BOOT, lambda: snapshot()._replace(time_zone=zone), random.Random(1), lambda _: None, outbox
    )
    task = asyncio.create_task(PostgresqlDelivery(replace(plan, batch=5000), around).run())
    await until(lambda: outbox.backlog().waiting == 0)
    task.cancel()
    await asyncio.wait([task])


def every(minutes: int, begins: datetime, ends: datetime, first: int = 1, tank: str = "TK-1") -> list[KeptRecord]:
    """Records whose GSV in m3 is the number of minutes since the first: a number that tells its own time."""
    count = int((ends - begins) / timedelta(minutes=minutes))
    return [
        kept(begins + timedelta(minutes=minutes * index), first + index, good(float(minutes * index)), tank=tank)
        for index in range(count + 1)
    ]


async def test_the_newest_of_each_tank_and_none_that_is_old(plan: PostgresqlPlan, postgres: Postgres) -> None:
    now = datetime.now(UTC)
    minute = timedelta(minutes=1)
    await delivered(
        plan,
        [
            kept(now - 5 * minute, 1, good(100.0)),
            kept(now - minute, 2, good(120.0)),
            kept(now - minute, 1, doubtful(7.0), tank="TK-2"),
            kept(now - minute, 1, bad(), tank="TK-3"),
            kept(now - 60 * minute, 1, good(50.0), tank="TK-4"),
        ],
    )
    query = "SELECT tank, gsv_m3, gsv_quality, quality, reason_code FROM tanks.newest ORDER BY tank"
    assert postgres.psql(query, plan.database) == [
        "TK-1|120|Good|Good|",
        "TK-2|7|Uncertain|Uncertain|stratified",
        "TK-3||Bad|Bad|no_answer",
        # Of an hour ago: it is said when it was, and nothing of it is shown as if it still held.
        "TK-4||Bad|Bad|overdue",
    ]
    age = "SELECT extract(epoch FROM age) FROM tanks.newest WHERE tank = 'TK-4'"
    assert 3600 <= float(postgres.psql(age, plan.database)[0]) < 3720
    postgres.psql("UPDATE tanks.sites SET longest_age = '2 hours'", plan.database)
    assert postgres.psql(query, plan.database)[-1] == "TK-4|50|Good|Good|"


async def test_a_record_of_a_clock_that_was_wrong_hides_nothing(plan: PostgresqlPlan, postgres: Postgres) -> None:
    now = datetime.now(UTC)
    ahead = kept(now.replace(year=9998, month=1, day=2), 1, good(1.0))
    await delivered(plan, [ahead, kept(now - timedelta(minutes=2), 2, good(120.0))])
    assert postgres.psql("SELECT gsv_m3, gsv_quality FROM tanks.newest", plan.database) == ["120|Good"]
    # No day is closed by it, and no series of times runs through eight thousand years.
    assert postgres.psql("SELECT count(*), count(gsv_m3) FROM tanks.closings", plan.database) == ["1|0"]
    assert postgres.psql("SELECT count(*) FROM tanks.hours", plan.database) == ["1"]
    of_simulation = kept(now + timedelta(days=3), 3, good(5.0))
    simulated = of_simulation.record.inventory._replace(simulated=True)
    await delivered(plan, [of_simulation._replace(record=of_simulation.record._replace(inventory=simulated))])
    assert postgres.psql("SELECT gsv_m3, simulated FROM tanks.newest", plan.database) == ["5|t"]


async def test_a_record_of_a_clock_that_had_not_been_set_opens_no_days(
    plan: PostgresqlPlan, postgres: Postgres
) -> None:
    """A box without a battery wakes up in 1970, and is set right once it finds a server: two records lie 56 years
    apart, and the days and half a million hours between were none."""
    now = datetime.now(UTC)
    unset = kept(datetime(1970, 1, 1, 0, 1, tzinfo=UTC), 1, good(1.0))
    await delivered(plan, [unset, kept(now - timedelta(minutes=2), 2, good(120.0))])
    for view in ("closings", "days", "hours"):
        assert postgres.psql(f"SELECT count(*) FROM tanks.{view}", plan.database) == ["1"], view
    assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == ["2"], "the record itself is there"
    assert postgres.psql("SELECT gsv_m3, gsv_quality FROM tanks.newest", plan.database) == ["120|Good"]


ZONES = [
    # zone, local day, its length in hours: the changes of 2026 by the IANA time zone data base
    ("Europe/London", "2026-03-29", 23),
    ("Europe/London", "2026-10-25", 25),
    ("America/Chicago", "2026-11-01", 25),
    ("Asia/Kolkata", "2026-07-01", 24),
    ("UTC", "2024-02-29", 24),
    ("Africa/Cairo", "2026-04-24", 23),  # whose clocks go forward at midnight: that day has no 00:00
]


@pytest.mark.parametrize(("zone", "day", "hours"), ZONES)
async def test_a_day_is_that_of_the_site(
    zone: str, day: str, hours: int, plan: PostgresqlPlan, postgres: Postgres
) -> None:
    local = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone))
    begins = local.astimezone(UTC)
    ends = begins + timedelta(hours=hours)
    first = begins - timedelta(hours=1)
    await delivered(plan, every(5, first, ends + timedelta(minutes=30)), zone=zone)
    query = (
        "SELECT extract(epoch FROM begins), extract(epoch FROM ends), opening_gsv_m3, closing_gsv_m3, change_gsv_m3,"
        f" closing_gsv_quality, change_gsv_quality FROM tanks.days WHERE day = '{day}'"
    )
    (line,) = postgres.psql(query, plan.database)
    cells = line.split("|")
    assert [datetime.fromtimestamp(float(cell), UTC) for cell in cells[:2]] == [begins, ends]
    # 60 minutes before its beginning lies the first record.
    assert cells[2:] == ["60", f"{60 * hours + 60}", f"{60 * hours}", "Good", "Good"]
    (closing,) = postgres.psql(f"SELECT gsv_m3, quality FROM tanks.closings WHERE day = '{day}'", plan.database)
    assert closing == f"{60 * hours + 60}|Good"


async def test_a_day_that_begins_in_the_morning(plan: PostgresqlPlan, postgres: Postgres) -> None:
    begins = datetime(2026, 7, 1, 4, tzinfo=UTC)  # 06:00 in Warsaw, in summer
    await delivered(
        plan,
        every(5, begins - timedelta(hours=1), begins + timedelta(hours=25)),
        zone="Europe/Warsaw",
    )
    postgres.psql("UPDATE tanks.sites SET day_begins = '06:00'", plan.database)
    query = "SELECT day, opening_gsv_m3, closing_gsv_m3 FROM tanks.days WHERE closing_gsv_m3 IS NOT NULL"
    assert postgres.psql(query, plan.database) == ["2026-06-30||60", "2026-07-01|60|1500"]


async def test_a_day_is_not_closed_before_a_later_record_has_come(plan: PostgresqlPlan, postgres: Postgres) -> None:
    midnight = datetime(2026, 7, 2, tzinfo=UTC)
    query = "SELECT day, gsv_m3, quality, reason_code FROM tanks.closings ORDER BY day"
    early = every(5, midnight - timedelta(hours=2), midnight - timedelta(minutes=5))
    await delivered(plan, early)
    # The record of 23:55 is there, and the backlog may hold later ones of that day.
    assert postgres.psql(query, plan.database) == ["2026-07-01||Bad|no_record"]
    later = [
        kept(midnight - timedelta(seconds=10), 99, good(777.0)),
        kept(midnight + timedelta(seconds=1), 100, good(778.0)),
    ]
    await delivered(plan, later)
    assert postgres.psql(query, plan.database) == ["2026-07-01|777|Good|", "2026-07-02||Bad|no_record"]


async def test_a_close_that_nobody_measured_has_no_number(plan: PostgresqlPlan, postgres: Postgres) -> None:
    """The gateway stood still from 22:00 to 03:00, with Good on both sides."""
    midnight = datetime(2026, 7, 2, tzinfo=UTC)
    entries = [kept(midnight - timedelta(hours=2), 1, good(100.0)), kept(midnight + timedelta(hours=3), 2, good(90.0))]
    await delivered(plan, entries)
    query = "SELECT closing_gsv_m3, closing_gsv_quality, change_gsv_m3, change_gsv_quality FROM tanks.days ORDER BY day"
    assert postgres.psql(query, plan.database) == ["|Bad||Bad", "|Bad||Bad"]


async def test_what_is_bad_or_estimated_at_the_close_is_so_in_the_day(plan: PostgresqlPlan, postgres: Postgres) -> None:
    first, second, third = (datetime(2026, 7, day, tzinfo=UTC) for day in (1, 2, 3))
    entries = [
        kept(first - timedelta(minutes=1), 1, good(100.0)),
        kept(second - timedelta(minutes=1), 2, doubtful(130.0)),
        kept(third - timedelta(minutes=1), 3, bad()),
        kept(third + timedelta(minutes=1), 4, good(140.0)),
    ]
    await delivered(plan, entries)
    query = (
        "SELECT day, opening_gsv_m3, closing_gsv_m3, closing_gsv_quality, change_gsv_m3, change_gsv_quality"
        " FROM tanks.days WHERE day IN ('2026-07-01', '2026-07-02') ORDER BY day"
    )
    assert postgres.psql(query, plan.database) == [
        "2026-07-01|100|130|Uncertain|30|Uncertain",
        "2026-07-02|130||Bad||Bad",
    ]


@pytest.mark.parametrize(
    ("other", "change"),
    [({}, "30|Good|30|Good"), ({"product": "kerosene"}, "|Bad|30|Good"), ({"reference": 15.56}, "|Bad|30|Good")],
)
async def test_standard_volumes_of_two_products_or_references_have_no_difference(
    plan: PostgresqlPlan, postgres: Postgres, other: dict[str, Any], change: str
) -> None:
    """100 m3 of one and 130 m3 of another product, or at another temperature, are not 30 m3 of anything; the room that
    they take is."""
    first = datetime(2026, 7, 1, tzinfo=UTC)

    def at(instant: datetime, sequence: int, value: float, **given: Any) -> KeptRecord:
        entry = kept(instant, sequence, good(value))
        sheet = entry.record.inventory
        sheet = sheet._replace(
            figures=sheet.figures._replace(tov=good(value)),
            product=given.get("product", sheet.product),
            reference_temperature_c=given.get("reference", 15.0),
        )
        return entry._replace(record=entry.record._replace(inventory=sheet))

    minute, day = timedelta(minutes=1), timedelta(days=1)
    entries = [at(first - minute, 1, 100.0), at(first + day - minute, 2, 130.0, **other)]
    await delivered(plan, [*entries, at(first + day + minute, 3, 140.0, **other)])
    query = "SELECT change_gsv_m3, change_gsv_quality, change_tov_m3, change_tov_quality FROM tanks.days"
    assert postgres.psql(f"{query} WHERE day = '2026-07-01'", plan.database) == [change]


async def test_hours(plan: PostgresqlPlan, postgres: Postgres) -> None:
    at = datetime(2026, 7, 1, 12, tzinfo=UTC)
    minute = timedelta(minutes=1)
    entries = [
        kept(at, 1, good(100.0)),
        kept(at + 59 * minute, 2, good(90.0)),
        kept(at + 60 * minute, 3, good(95.0)),
        kept(at + 61 * minute, 4, bad()),
        kept(at + 62 * minute, 5, doubtful(99.0)),
        # Nothing from 14:00 to 15:00; then nothing but Bad.
        kept(at + 190 * minute, 6, bad()),
    ]
    await delivered(plan, entries)
    query = (
        "SELECT to_char(hour, 'HH24'), records, good, uncertain, bad, gsv_lowest_m3, gsv_highest_m3, gsv_range_quality,"
        " last_gsv_m3, last_gsv_quality FROM tanks.hours WHERE tank = 'TK-1' ORDER BY hour"
    )
    assert postgres.psql(query, plan.database) == [
        "12|2|2|0|0|90|100|Good|90|Good",
        "13|3|1|1|1|95|99|Uncertain|99|Uncertain",
        "15|1|0|0|1|||Bad||Bad",
    ]


async def test_sites_share_the_tables_and_keep_their_days(plan: PostgresqlPlan, postgres: Postgres) -> None:
    midnight = datetime(2026, 7, 2, tzinfo=UTC)
    for site, zone in (("harbour", "Europe/Lisbon"), ("island", "Asia/Manila")):
        entries = [
            KeptRecord(index, replace_site(each, site), None)
            for index, each in enumerate(every(5, midnight - timedelta(days=1), midnight + timedelta(hours=1)), 1)
        ]
        await delivered(plan, entries, zone=zone, site=site)
    query = "SELECT site, to_char(ends, 'DD HH24:MI') FROM tanks.closings WHERE gsv_m3 IS NOT NULL ORDER BY site"
    # Lisbon has UTC+1 in summer, Manila UTC+8.
    assert postgres.psql(query, plan.database) == ["harbour|01 23:00", "island|01 16:00"]


def replace_site(entry: KeptRecord, site: str) -> TankRecord:
    return entry.record._replace(identity=entry.record.identity._replace(site=site))


async def test_a_zone_that_the_server_does_not_know_gives_no_days(plan: PostgresqlPlan, postgres: Postgres) -> None:
    at = datetime(2026, 7, 1, 12, tzinfo=UTC)
    await delivered(plan, every(60, at, at + timedelta(days=2)), zone="Europe/Atlantis")
    assert postgres.psql("SELECT count(*) FROM tanks.days", plan.database) == ["0"]
    assert postgres.psql("SELECT count(*) FROM tanks.newest", plan.database) == ["1"]


async def test_a_role_that_may_only_read_reads_all_of_it(plan: PostgresqlPlan, postgres: Postgres) -> None:
    at = datetime(2026, 7, 1, 12, tzinfo=UTC)
    await delivered(plan, every(60, at, at + timedelta(days=40)))
    name = f"office_{plan.database}"
    # As the guide for installation has it.
    postgres.psql(
        f"CREATE ROLE {name} LOGIN PASSWORD 'ink'; GRANT USAGE ON SCHEMA tanks TO {name};"
        f"GRANT SELECT ON ALL TABLES IN SCHEMA tanks TO {name}",
        plan.database,
    )
    later = at + timedelta(days=80)
    await delivered(plan, [kept(later, 9999, good(1.0))])
    for table in ("records", "events", "newest", "closings", "days", "hours"):
        postgres.psql(f"SELECT * FROM tanks.{table} LIMIT 3", plan.database, user=name, password="ink")
    count = "SELECT count(*) FROM tanks.records"
    assert postgres.psql(count, plan.database, user=name, password="ink") == ["962"]
    done = postgres.try_psql("DELETE FROM tanks.records", plan.database, user=name, password="ink")
    assert "permission denied" in done.stderr


async def test_the_views_read_what_they_need_and_no_more(plan: PostgresqlPlan, postgres: Postgres) -> None:
    """EXPLAIN ANALYZE over four months: by the primary key, and in the months that hold what is asked for."""
    begins = datetime(2026, 1, 1, tzinfo=UTC)
    for tank in ("TK-1", "TK-2"):
        await delivered(plan, every(30, begins, begins + timedelta(days=119), tank=tank))
    postgres.psql("ANALYZE tanks.records", plan.database)

    def scans(query: str) -> list[str]:
        lines = postgres.psql(f"EXPLAIN (ANALYZE, COSTS OFF, TIMING OFF, SUMMARY OFF) {query}", plan.database)
        assert not [line for line in lines if "Seq Scan on records" in line and "never executed" not in line], lines
        found = [line for line in lines if " on records_2026" in line and "never executed" not in line]
        assert found, lines
        return found

    for query in (
        "SELECT gsv_m3 FROM tanks.newest",
        "SELECT gsv_m3 FROM tanks.newest WHERE tank = 'TK-1'",
        "SELECT closing_gsv_m3 FROM tanks.days WHERE day = '2026-03-17'",
        "SELECT gsv_m3 FROM tanks.closings WHERE tank = 'TK-2' AND day BETWEEN '2026-03-01' AND '2026-03-31'",
        "SELECT last_gsv_m3 FROM tanks.hours WHERE tank = 'TK-1' AND hour = '2026-03-17 12:00+00'",
    ):
        assert all("Index" in line and "using" in line for line in scans(query)), query
    months = {line.split(" on ")[1].split()[0] for line in scans("SELECT gsv_m3 FROM tanks.newest")}
    assert months <= {"records_2026_04", "records_2026_05"}
    day = "SELECT closing_gsv_m3 FROM tanks.days WHERE day = '2026-03-17'"
    assert not [line for line in scans(day) if "_02 " in line]
