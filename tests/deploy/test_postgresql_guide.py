"""The SQL of the guide for installation, typed by psql into a real server in its order, around a gateway's delivery."""

import asyncio
import random
import re
from pathlib import Path

from gateway.delivery.contract import Surroundings
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox, streams
from tests.support.postgres import Postgres, postgresql_plan
from tests.support.records import BOOT, snapshot

ROOT = Path(__file__).resolve().parent.parent.parent
CHAPTER = (ROOT / "deploy" / "README.md").read_text("utf-8").partition("\n## A PostgreSQL database\n")[2]
BLOCKS = re.findall(r"^```sql\n(.*?)^```$", CHAPTER.partition("\n## ")[0], re.DOTALL | re.MULTILINE)
(QUERY,) = re.findall(r"^```sql\n(.*?)^```$", (ROOT / "README.md").read_text("utf-8"), re.DOTALL | re.MULTILINE)


async def test_the_guide_leads_to_rows_that_the_office_reads(tmp_path: Path) -> None:
    make, readers, sites, drop = BLOCKS
    (tmp_path / "theirs").write_text("another than this")
    with Postgres() as server:
        for statement in make.strip().splitlines():
            server.psql(statement)
        theirs = {"user_name": "gateway", "password_file": tmp_path / "theirs"}
        plan = postgresql_plan(server, tmp_path, database="plant", **theirs)
        outbox = MemoryOutbox(streams(["TK-1"], 3))
        around = Surroundings("my-site", BOOT, snapshot, random.Random(1), lambda _: None, outbox)
        task = asyncio.create_task(PostgresqlDelivery(plan, around).run())
        await until(lambda: outbox.backlog().waiting == 0)
        task.cancel()
        await asyncio.wait([task])
        server.psql(readers, "plant")
        server.psql(sites, "plant")
        assert server.psql("SELECT day_begins, longest_age FROM tanks.sites", "plant") == ["06:00:00|00:15:00"]
        as_office = {"user": "office", "password": "another than this"}
        assert server.psql("SELECT count(*) FROM tanks.records", "plant", **as_office) == ["3"]
        assert server.psql("SHOW jit", "plant", **as_office) == ["off"]
        assert server.psql(QUERY, "plant", **as_office) == []
        server.psql(drop, "plant")
        assert server.psql("SELECT count(*) FROM tanks.records", "plant", **as_office) == ["0"]
