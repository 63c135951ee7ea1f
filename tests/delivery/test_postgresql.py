"""History to a real PostgreSQL server: each entry once, whatever happens to the server and the way to it."""

import asyncio
import math
import os
import random
import socket
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, suppress
from itertools import pairwise
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
import trustme
from structlog.testing import capture_logs

import gateway.delivery.postgresql.delivery as postgresql
from gateway.delivery.contract import GOODBYE_S, Surroundings
from gateway.delivery.plan import TlsPlan
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.history import Entry
from gateway.records import Figure, Quality
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.postgres import PASSWORD, USER, Postgres, postgresql_plan
from tests.support.records import BOOT, snapshot

TANKS = ["TK-1", "TK-2", "TK-3"]


@pytest.fixture
def own_server() -> Iterator[Postgres]:
    """One that the test may harm."""
    with Postgres() as server:
        server.database("plant")
        yield server


@pytest.fixture
def database(postgres: Postgres, request: pytest.FixtureRequest) -> str:
    number = postgres.psql("SELECT count(*) FROM pg_database")[0]
    return postgres.database(f"plant_{number}")


def delivery_to(plan: Any, outbox: MemoryOutbox | None) -> PostgresqlDelivery:
    return PostgresqlDelivery(plan, Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None, outbox))


@asynccontextmanager
async def running(made: PostgresqlDelivery) -> AsyncIterator[None]:
    task = asyncio.create_task(made.run())
    try:
        yield
    finally:
        assert not task.done(), task
        task.cancel()
        ended, _ = await asyncio.wait([task], timeout=GOODBYE_S)
        assert ended
        assert task.cancelled()


async def drained(outbox: MemoryOutbox) -> None:
    await until(lambda: outbox.backlog().waiting == 0)


def rows(server: Postgres, database: str = "plant", schema: str = "tanks") -> list[str]:
    return server.psql(f"SELECT tank || ' ' || sequence FROM {schema}.records ORDER BY tank, sequence", database)


def all_of(tanks: Sequence[str], each: int) -> list[str]:
    return [f"{tank} {sequence}" for tank in tanks for sequence in range(1, each + 1)]


def reasons(logs: list[Any]) -> list[str]:
    return [each["reason"] for each in logs if each["event"] == "delivery.postgresql_not_delivering"]


async def test_history_and_events_arrive_and_leave_the_outbox(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    outbox = MemoryOutbox([*streams(TANKS, 4), kept_event(13), kept_event(14, number=1)])
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database, batch=5), outbox)
    assert (made.wants.live, made.wants.history, made.wants.events) == (False, True, True)
    async with running(made):
        await drained(outbox)
        assert made.status().connected
        history = made.status().history
        assert history is not None
        assert (history.waiting, history.delivered, history.lost) == (0, 14, 0)
        assert made.status().troubles == ()
        outbox.add(kept_record(15, "TK-1", 5, 4))
        await drained(outbox)
    assert rows(postgres, database) == sorted([*all_of(TANKS, 4), "TK-1 5"])
    assert postgres.psql("SELECT kind, number FROM tanks.events ORDER BY number", database) == [
        "gateway_started|0",
        "gateway_started|1",
    ]
    assert postgres.psql("SELECT count(*) FROM tanks.records WHERE previous_sequence = sequence - 1", database) == [
        "10"
    ]
    # A clean goodbye: no backend is left behind, and nothing of ours in the server's log.
    assert not made.status().connected


async def test_what_is_sent_again_is_there_once(postgres: Postgres, database: str, tmp_path: Path) -> None:
    plan = postgresql_plan(postgres, tmp_path, database=database)
    entries: list[Entry] = [*streams(TANKS, 3), kept_event(10)]
    for _ in range(3):
        outbox = MemoryOutbox(entries)
        async with running(delivery_to(plan, outbox)):
            await drained(outbox)
    assert rows(postgres, database) == all_of(TANKS, 3)
    assert postgres.psql("SELECT count(*) FROM tanks.events", database) == ["1"]


async def test_two_gateways_at_once_make_the_tables_and_rows_together(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    plan = postgresql_plan(postgres, tmp_path, database=database, batch=7)
    boxes = [MemoryOutbox(streams(TANKS, 60)) for _ in range(3)]
    made = [delivery_to(plan, box) for box in boxes]
    async with running(made[0]), running(made[1]), running(made[2]):
        for box in boxes:
            await drained(box)
    assert rows(postgres, database) == sorted(all_of(TANKS, 60), key=lambda row: (row[:4], int(row[5:])))


async def test_a_server_that_is_away_killed_and_back(own_server: Postgres, tmp_path: Path) -> None:
    own_server.kill()
    outbox = MemoryOutbox(streams(TANKS, 20))
    made = delivery_to(postgresql_plan(own_server, tmp_path, database="plant", batch=4), outbox)
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: reasons(logs))
            assert not made.status().connected
            own_server.start()
            await until(lambda: outbox.backlog().delivered >= 8)
            own_server.kill()
            await until(lambda: not made.status().connected)
            for position in range(61, 64):
                outbox.add(kept_record(position, "TK-4", position - 60, position - 61 or None))
            own_server.start()
            await drained(outbox)
            assert made.status().troubles == ()
    assert rows(own_server) == sorted(
        [*all_of(TANKS, 20), *all_of(["TK-4"], 3)], key=lambda row: (row[:4], int(row[5:]))
    )
    # Once for each reason, however often it was tried.
    said = reasons(logs)
    assert all(one != other for one, other in pairwise(said))


async def test_a_server_that_stands_still_is_left_and_nothing_is_there_twice(
    own_server: Postgres, tmp_path: Path
) -> None:
    outbox = MemoryOutbox(streams(TANKS, 30))
    made = delivery_to(postgresql_plan(own_server, tmp_path, database="plant", batch=5, timeout_s=0.5), outbox)
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: outbox.backlog().delivered >= 10)
            own_server.freeze()
            await until(lambda: "server did not answer within 0.5 s" in reasons(logs))
            assert not made.status().connected
            own_server.thaw()
            await drained(outbox)
    assert len(rows(own_server)) == len(set(rows(own_server))) == 90


async def test_told_to_end_while_the_server_stands_still_it_ends(own_server: Postgres, tmp_path: Path) -> None:
    outbox = MemoryOutbox(streams(TANKS, 2))
    made = delivery_to(postgresql_plan(own_server, tmp_path, database="plant", timeout_s=30.0), outbox)
    async with running(made):
        await drained(outbox)
        own_server.freeze()
        outbox.add(kept_record(7, "TK-1", 3, 2))
        await asyncio.sleep(0.1)
    assert not made.status().connected
    own_server.thaw()


class HalfOpen:
    """A way to the server that can stop carrying anything, in both directions, and closes nothing."""

    def __init__(self, port: int) -> None:
        self._to = port
        self.carries = asyncio.Event()
        self.carries.set()
        self.port = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> "HalfOpen":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, to = await asyncio.open_connection("127.0.0.1", self._to)
        for one, other in ((reader, to), (there, writer)):
            task = asyncio.create_task(self._carry(one, other))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while chunk := await reader.read(65536):
                await self.carries.wait()
                writer.write(chunk)
        except OSError:
            pass
        finally:
            writer.close()


async def test_a_way_that_carries_nothing_any_more(postgres: Postgres, database: str, tmp_path: Path) -> None:
    outbox = MemoryOutbox(streams(TANKS, 1))
    async with HalfOpen(postgres.port) as way:
        plan = postgresql_plan(postgres, tmp_path, database=database, port=way.port, timeout_s=0.5)
        made = delivery_to(plan, outbox)
        async with running(made):
            await drained(outbox)
            way.carries.clear()
            outbox.add(kept_record(4, "TK-1", 2, 1))
            await until(lambda: not made.status().connected)
            assert outbox.backlog().waiting == 1
            way.carries.set()
            await drained(outbox)
    assert rows(postgres, database) == ["TK-1 1", "TK-1 2", "TK-2 1", "TK-3 1"]


async def test_an_idle_connection_that_the_server_ends_is_seen(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    outbox = MemoryOutbox()
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database), outbox)
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: made.status().connected)
            postgres.psql(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                f" WHERE datname = '{database}' AND application_name = 'tank-gateway'"
            )
            await until(lambda: "server closed the connection" in reasons(logs))
            await until(lambda: made.status().connected)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"user_name": "stranger"}, 'password authentication failed for user "stranger" (28P01); is the user'),
        ({"database": "nowhere"}, 'database "nowhere" does not exist (3D000); CREATE DATABASE makes one'),
        ({"password_file": Path("/nowhere/password")}, "password file /nowhere/password"),
        ({"tls": TlsPlan()}, "server speaks no TLS here"),
    ],
)
async def test_what_a_person_must_set_right_is_said(
    changes: dict[str, Any], words: str, postgres: Postgres, database: str, tmp_path: Path
) -> None:
    outbox = MemoryOutbox(streams(TANKS, 1))
    made = delivery_to(postgresql_plan(postgres, tmp_path, **{"database": database, **changes}), outbox)
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: len(reasons(logs)) == 1)
            await asyncio.sleep(0.3)
    assert words in reasons(logs)[0]
    assert len(reasons(logs)) == 1
    (trouble,) = made.status().troubles
    assert trouble.code == "destination_refuses"
    assert words in trouble.text
    assert PASSWORD not in str(logs)
    assert outbox.backlog().waiting == 3


async def test_a_right_that_is_missing_and_then_given(postgres: Postgres, database: str, tmp_path: Path) -> None:
    postgres.psql(f"CREATE ROLE small_{database} LOGIN PASSWORD '{PASSWORD}'")
    outbox = MemoryOutbox(streams(TANKS, 1))
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database, user_name=f"small_{database}"), outbox)
    async with running(made):
        await until(lambda: made.status().troubles)
        assert "permission denied for database" in made.status().troubles[0].text
        assert "CREATE on the database" in made.status().troubles[0].text
        postgres.psql(f"GRANT CREATE ON DATABASE {database} TO small_{database}")
        await drained(outbox)
        await until(lambda: not made.status().troubles)


async def test_who_may_not_make_the_next_month_delivers_this_one_and_says_so(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    first = MemoryOutbox(streams(TANKS, 1))
    async with running(delivery_to(postgresql_plan(postgres, tmp_path, database=database), first)):
        await drained(first)
    # The tests' snapshot is of March 2026.
    postgres.psql(
        "DROP TABLE tanks.records_2026_04, tanks.events_2026_04;"
        f"CREATE ROLE of_{database} LOGIN PASSWORD '{PASSWORD}';"
        f"GRANT USAGE ON SCHEMA tanks TO of_{database};"
        f"GRANT SELECT, INSERT, UPDATE ON ALL TABLES IN SCHEMA tanks TO of_{database}",
        database,
    )
    outbox = MemoryOutbox(streams(TANKS, 2))
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database, user_name=f"of_{database}"), outbox)
    async with running(made):
        await drained(outbox)
        (trouble,) = made.status().troubles
        assert trouble.code == "destination_refuses"
        assert trouble.text.startswith("the tables of the next month cannot be made: server says: permission denied")
    assert rows(postgres, database) == all_of(TANKS, 2)


async def test_a_database_that_only_reads(own_server: Postgres, tmp_path: Path) -> None:
    outbox = MemoryOutbox(streams(TANKS, 1))
    made = delivery_to(postgresql_plan(own_server, tmp_path, database="plant"), outbox)
    async with running(made):
        await drained(outbox)
        own_server.psql("ALTER DATABASE plant SET default_transaction_read_only TO on")
        own_server.psql("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'plant'")
        outbox.add(kept_record(4, "TK-1", 2, 1))
        await until(lambda: made.status().troubles)
        assert "(25006); is this a standby?" in made.status().troubles[0].text
        own_server.psql("ALTER DATABASE plant RESET default_transaction_read_only")
        await drained(outbox)
    assert len(rows(own_server)) == 4


async def test_a_lock_that_a_person_holds_is_waited_for_and_leaves_no_backends_behind(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    outbox = MemoryOutbox(streams(TANKS, 1))
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database, timeout_s=0.6), outbox)
    with capture_logs() as logs:
        async with running(made):
            await drained(outbox)
            lock = "BEGIN; LOCK TABLE tanks.records IN ACCESS EXCLUSIVE MODE; SELECT pg_sleep(3)"
            holding = asyncio.create_task(asyncio.to_thread(postgres.psql, lock, database))
            held = (
                "SELECT count(*) FROM pg_locks WHERE mode = 'AccessExclusiveLock' AND granted"
                " AND relation = 'tanks.records'::regclass"
            )
            await until(lambda: postgres.psql(held, database) == ["1"])
            outbox.add(kept_record(4, "TK-1", 2, 1))
            await until(lambda: reasons(logs))
            await holding
            await drained(outbox)
            ours = f"datname = '{database}' AND application_name = 'tank-gateway'"
            await until(lambda: postgres.psql(f"SELECT count(*) FROM pg_stat_activity WHERE {ours}") == ["1"])
    assert len(rows(postgres, database)) == 4


async def test_a_row_that_is_refused_is_given_up_and_the_others_are_not(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    plan = postgresql_plan(postgres, tmp_path, database=database, batch=64)
    first = MemoryOutbox(streams(TANKS, 1))
    async with running(delivery_to(plan, first)):
        await drained(first)
    postgres.psql("ALTER TABLE tanks.records ADD CHECK (NOT (tank = 'TK-2' AND sequence = 4))", database)
    outbox = MemoryOutbox([*streams(TANKS, 20), kept_event(61)])
    made = delivery_to(plan, outbox)
    with capture_logs() as logs:
        async with running(made):
            await drained(outbox)
            await until(lambda: made.status().troubles)
            history = made.status().history
            assert history is not None
            assert (history.delivered, history.lost, history.waiting) == (60, 1, 0)
            (trouble,) = made.status().troubles
            assert trouble.code == "records_refused"
            assert f"TK-2 {BOOT} 4" in trouble.text
    assert [
        (each["tank"], each["sequence"]) for each in logs if each["event"] == "delivery.postgresql_entry_refused"
    ] == [("TK-2", 4)]
    assert set(all_of(TANKS, 20)) - set(rows(postgres, database)) == {"TK-2 4"}
    assert postgres.psql("SELECT count(*) FROM tanks.events", database) == ["1"]


async def test_what_no_column_can_hold_is_given_up_alone(postgres: Postgres, database: str, tmp_path: Path) -> None:
    """Found before it is sent: a number that is none, an identity beyond 64 bits. After a refused COPY it goes on."""
    outbox = MemoryOutbox(
        [
            kept_record(1, "TK-1", 1),
            kept_record(2, "TK-1", 2**63),
            kept_record(3, "TK-1", 3, gsv=Figure(math.nan, Quality.GOOD, (), 0.0)),
            kept_record(4, "TK-1", 4, 3),
            kept_event(5, subject="\0"),
        ]
    )
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database), outbox)
    async with running(made):
        await drained(outbox)
        await until(lambda: made.status().troubles)
        history = made.status().history
        assert history is not None
        assert (history.delivered, history.lost) == (3, 2)
    assert rows(postgres, database) == ["TK-1 1", "TK-1 4"]
    assert postgres.psql("SELECT count(*) FROM tanks.events", database) == ["1"]


async def test_where_every_row_is_refused_none_is_given_up(postgres: Postgres, database: str, tmp_path: Path) -> None:
    """A trigger of the owner, a constraint, a column of his: that is no fault of the records, and may be mended."""
    plan = postgresql_plan(postgres, tmp_path, database=database)
    first = MemoryOutbox(streams(TANKS, 1))
    async with running(delivery_to(plan, first)):
        await drained(first)
    postgres.psql("ALTER TABLE tanks.records ADD CONSTRAINT never CHECK (sequence < 2)", database)
    outbox = MemoryOutbox([kept_record(4, "TK-1", 2, 1)])
    made = delivery_to(plan, outbox)
    async with running(made):
        await until(lambda: made.status().troubles)
        assert "every entry is refused" in made.status().troubles[0].text
        for entry in streams(TANKS, 30, first=5):
            outbox.add(entry)
        await until(lambda: made.status().troubles and "too many entries" in made.status().troubles[0].text)
        history = made.status().history
        assert history is not None
        assert (history.delivered, history.lost) == (0, 0)
        postgres.psql("ALTER TABLE tanks.records DROP CONSTRAINT never", database)
        await drained(outbox)
        await until(lambda: not made.status().troubles)
    assert len(rows(postgres, database)) == 90


async def test_a_disk_that_is_full(own_server: Postgres, tmp_path: Path) -> None:
    """By the code that the server then answers with (PostgreSQL's manual, appendix A: 53100 disk_full)."""
    outbox = MemoryOutbox(streams(TANKS, 200))
    own_server.psql(
        "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'could not extend file: No space left on device' USING ERRCODE = '53100'; END $$",
        "plant",
    )
    plan = postgresql_plan(own_server, tmp_path, database="plant")
    first = MemoryOutbox([kept_record(1)])
    async with running(delivery_to(plan, first)):
        await drained(first)
    own_server.psql(
        "CREATE TRIGGER full_disk BEFORE INSERT ON tanks.records_2026_03 FOR EACH ROW EXECUTE FUNCTION full_disk()",
        "plant",
    )
    made = delivery_to(plan, outbox)
    async with running(made):
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].text.endswith("(53100); its disk is full")
        own_server.psql("DROP TRIGGER full_disk ON tanks.records_2026_03", "plant")
        await drained(outbox)
    assert len(rows(own_server)) == 600


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """Of 24 MB, which all users may use."""
    folder = Path(mkdtemp(prefix="pg-small-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m,mode=0777", "none", folder], check=True)
    yield folder
    subprocess.run(["umount", "--lazy", folder], check=True)
    folder.rmdir()


# Only root can mount one. What the delivery does with the answer is tried above by everybody.
if os.geteuid() == 0:

    async def test_a_real_disk_that_is_full(small_disk: Path, own_server: Postgres, tmp_path: Path) -> None:
        """The tables of one database, whose server has room elsewhere for all else."""
        place = small_disk / "tables"
        place.mkdir()
        owner = own_server.data.stat()
        os.chown(place, owner.st_uid, owner.st_gid)
        own_server.psql(f"CREATE TABLESPACE small LOCATION '{place}'")
        own_server.psql("CREATE DATABASE tight TEMPLATE template0 TABLESPACE small")
        plan = postgresql_plan(own_server, tmp_path, database="tight")
        outbox = MemoryOutbox(streams(TANKS, 1))
        made = delivery_to(plan, outbox)
        async with running(made):
            await drained(outbox)
            ballast = small_disk / "ballast"
            with suppress(OSError), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(4096))
            for entry in streams([f"TK-{number}" for number in range(10, 110)], 5, first=4):
                outbox.add(entry)
            await until(lambda: made.status().troubles)
            assert "No space left on device (53100); its disk is full" in made.status().troubles[0].text
            ballast.unlink()
            await drained(outbox)
            await until(lambda: not made.status().troubles)
        assert len(rows(own_server, "tight")) == 503


async def test_a_database_that_cannot_hold_every_text(postgres: Postgres, tmp_path: Path) -> None:
    postgres.psql("CREATE DATABASE latin TEMPLATE template0 ENCODING 'LATIN1'")
    made = delivery_to(postgresql_plan(postgres, tmp_path, database="latin"), MemoryOutbox(streams(TANKS, 1)))
    async with running(made):
        await until(lambda: made.status().troubles)
    assert made.status().troubles[0].text == "database 'latin' is in LATIN1; make one with ENCODING 'UTF8'"


async def test_a_peer_that_is_no_database(tmp_path: Path, postgres: Postgres) -> None:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 9)
        writer.close()

    stranger = await asyncio.start_server(answer, "127.0.0.1", 0)
    port = stranger.sockets[0].getsockname()[1]
    made = delivery_to(postgresql_plan(postgres, tmp_path, database="x", port=port, timeout_s=0.5), MemoryOutbox())
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: reasons(logs))
    stranger.close()
    assert not made.status().connected


async def test_a_peer_that_accepts_and_is_silent(tmp_path: Path, postgres: Postgres) -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        plan = postgresql_plan(postgres, tmp_path, database="x", port=silent.getsockname()[1], timeout_s=0.3)
        made = delivery_to(plan, MemoryOutbox())
        with capture_logs() as logs:
            async with running(made):
                await until(lambda: reasons(logs))
    assert reasons(logs) == ["server did not answer within 0.3 s"]


async def test_a_name_server_that_is_silent_holds_up_nothing(
    postgres: Postgres, database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = threading.Event()
    asked: list[str] = []
    real = socket.getaddrinfo

    def look_up(host: str, *rest: Any, **more: Any) -> Any:
        if host == "db.example":
            asked.append(host)
            assert answers.wait(30.0)
        return real("127.0.0.1" if host == "db.example" else host, *rest, **more)

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    outbox = MemoryOutbox(streams(TANKS, 1))
    made = delivery_to(postgresql_plan(postgres, tmp_path, database=database, host="db.example", timeout_s=0.3), outbox)
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: reasons(logs))
            await asyncio.sleep(0.5)
        assert reasons(logs) == ["db.example was not looked up within 0.3 s: is there a name server that answers?"]
        # However often it was tried: threads must not gather.
        assert asked == ["db.example"]
        answers.set()
        async with running(made):
            await drained(outbox)


async def test_a_name_that_nobody_knows(postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def look_up(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    made = delivery_to(postgresql_plan(postgres, tmp_path, database="x", host="db.example"), MemoryOutbox())
    with capture_logs() as logs:
        async with running(made):
            await until(lambda: reasons(logs))
    assert reasons(logs) == ["Name or service not known"]


async def test_over_tls_the_server_must_be_the_right_one(tmp_path: Path) -> None:
    authority = trustme.CA()
    ca = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(str(ca))
    trustme.CA().cert_pem.write_to_path(str(tmp_path / "other.pem"))
    issued = authority.issue_cert("127.0.0.1")
    with Postgres(settings={"ssl": "off"}) as server:
        server.database("plant")
        owner = (server.data / "PG_VERSION").stat()
        server.kill()
        for name, content in (
            ("server.crt", issued.cert_chain_pems[0].bytes()),
            ("server.key", issued.private_key_pem.bytes()),
        ):
            (server.data / name).write_bytes(content)
            (server.data / name).chmod(0o600)
            os.chown(server.data / name, owner.st_uid, owner.st_gid)
        server.settings["ssl"] = "on"
        server.start()
        outbox = MemoryOutbox(streams(TANKS, 1))
        made = delivery_to(postgresql_plan(server, tmp_path, database="plant", tls=TlsPlan(ca)), outbox)
        async with running(made):
            await drained(outbox)
            ours = "SELECT s.ssl FROM pg_stat_ssl s JOIN pg_stat_activity a USING (pid)"
            assert server.psql(f"{ours} WHERE a.application_name = 'tank-gateway'") == ["t"]
        wrong = delivery_to(
            postgresql_plan(server, tmp_path, database="plant", tls=TlsPlan(tmp_path / "other.pem")), outbox
        )
        async with running(wrong):
            await until(lambda: wrong.status().troubles)
        assert wrong.status().troubles[0].text.startswith("server certificate not accepted")


async def test_without_the_library_or_a_ledger_it_says_so_and_goes_on(
    postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = postgresql_plan(postgres, tmp_path, database="x")
    unkept = delivery_to(plan, None)
    async with running(unkept):
        await until(lambda: unkept.status().troubles)
    assert unkept.status().history is None
    assert unkept.status().troubles[0].code == "destination_unusable"
    monkeypatch.setattr(postgresql, "find_spec", lambda _: None)
    made = delivery_to(plan, MemoryOutbox(streams(TANKS, 1)))
    async with running(made):
        await until(lambda: made.status().troubles)
    (trouble,) = made.status().troubles
    assert trouble.text == (
        "asyncpg is not installed, so that nothing goes to PostgreSQL; pip install 'tank-gateway[postgresql]'"
    )


def test_the_gateway_can_be_imported_without_the_library() -> None:
    program = (
        "import sys; sys.modules['asyncpg'] = None; import importlib.util as u; find = u.find_spec\n"
        "u.find_spec = lambda name, *rest: None if name == 'asyncpg' else find(name, *rest)\n"
        "import gateway.delivery.destinations, gateway.delivery.postgresql.delivery as p\n"
        "print(p.missing_part())"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("asyncpg is not installed")


KILLED = """
import asyncio, random, sys
from pathlib import Path
from gateway.delivery.contract import Surroundings
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.delivery.postgresql.plan import PostgresqlPlan
from tests.support.kept_entries import MemoryOutbox, streams
from tests.support.records import BOOT, snapshot
port, database, user, password = sys.argv[1:]
plan = PostgresqlPlan("127.0.0.1", int(port), database, user, Path(password), batch=20, gather_s=0.001)
outbox = MemoryOutbox(streams(["TK-1", "TK-2"], 2000))
asyncio.run(PostgresqlDelivery(
    plan, Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None, outbox)).run())
"""


def begun(server: Postgres, database: str) -> bool:
    there = server.psql("SELECT to_regclass('tanks.records') IS NOT NULL", database) == ["t"]
    return there and bool(rows(server, database))


async def test_what_a_killed_sender_had_under_way_is_there_once_after_the_next(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    plan = postgresql_plan(postgres, tmp_path, database=database, batch=500)
    chance = random.Random(4)
    for _ in range(4):
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", KILLED, str(postgres.port), database, USER, str(plan.password_file))
        )
        await until(lambda: begun(postgres, database))
        await asyncio.sleep(chance.uniform(0.0, 0.3))
        process.kill()
        await process.wait()
    outbox = MemoryOutbox(streams(["TK-1", "TK-2"], 2000))
    async with running(delivery_to(plan, outbox)):
        await drained(outbox)
    found = rows(postgres, database)
    assert len(found) == 4000
    assert set(found) == set(all_of(["TK-1", "TK-2"], 2000))
