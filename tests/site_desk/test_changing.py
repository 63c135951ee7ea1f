"""A site file is proposed by one person and put in its place by another, or all is as it was."""

import asyncio
import math
import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from gateway.actions.asked_by import may_ask
from gateway.person import Role
from gateway.process.running import Running
from gateway.settings import SiteSettings
from gateway.settings.reading.source_files import sha256_of
from gateway.two_people import Given
from tests.actions.desk import BEGIN
from tests.site_desk.yard import ADA, BOB, TABLE, Yard, yard
from tests.support.users import as_ordinary_user, folder_of_all

__all__ = ["folder_of_all"]

HIGHER = ("reference_height: 15.240 m, level", "reference_height: 15.940 m, level")


def higher(there: Yard) -> str:
    assert HIGHER[0] in there.text
    return there.text.replace(*HIGHER)


def close_to_its_owner(folder: Path) -> None:
    """Where the tests are run by an ordinary user, whose folder it is."""
    if os.geteuid() == folder.stat().st_uid:
        folder.chmod(0o555)


async def test_another_person_puts_it_in_its_place(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        before, wanted = there.file.read_bytes(), higher(there)
        there.file.chmod(0o640)
        number = await there.proposed(wanted)
        assert there.file.read_bytes() == before
        page = await there.site_file()
        (waiting,) = page["proposals"]
        assert (waiting["number"], waiting["by"], waiting["state"], waiting["fits"]) == (
            number,
            "ada@page",
            "waits",
            True,
        )
        assert any("TK-1 changed" in line for line in waiting["changes"])

        by_another_door = await there.approved(number, {"X-Test-Person": "ada@works administrator"})
        assert by_another_door.status_code == 409
        own = await there.approved(number, {"X-Test-Person": "ADA administrator"})
        assert (own.status_code, own.json()["lines"]) == (
            409,
            [f"proposal {number} was asked for by ada@page; another person approves it"],
        )
        assert there.file.read_bytes() == before

        answer = await there.approved(number, why="seen at the tank")
        assert answer.status_code == 200, answer.text
        assert there.text == wanted
        assert stat.S_IMODE(there.file.stat().st_mode) == 0o640
        assert there.daemon.settings.tanks[0].plan.reference_height_m == 15.94
        assert not there.daemon.site_file_refused

        page = await there.site_file()
        assert page["in_force"]["text"] == wanted
        assert page["in_force"]["sha256"] == page["on_disk"]["sha256"] == sha256_of(wanted.encode())
        assert (page["in_force"]["by"], page["in_force"]["approved_by"]) == ("ada@page", "bob@page")
        assert page["proposals"][0]["state"] == "done"
        (kept,) = page["versions"]
        assert kept["sha256"] == sha256_of(before)
        row = next(row for row in await there.audit() if row["action"] == "change-site-file")
        assert row["by"] == "ada@page, approved by bob@page"
        assert row["why"] == "the roof was raised"
        assert (row["before"]["sha256"], row["after"]["sha256"]) == (sha256_of(before), sha256_of(wanted.encode()))
        assert row["asked"]["approved_because"] == "seen at the tank"


async def test_nobody_approves_a_site_file_who_was_brought_in_for_it(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        before, wanted = there.file.read_bytes(), higher(there)
        given: list[Given] = [Given(1, "carl", "ada@page", "invited", BEGIN.timestamp())]
        there.daemon.acting.given = lambda: given
        number = await there.proposed(wanted)
        given.append(Given(2, "bob", "ada@page", "password", BEGIN.timestamp()))
        told = await there.site_file(f"/proposals/{number}", BOB)
        answer = await there.approved(number)
        assert answer.status_code == 409
        (line,) = answer.json()["lines"]
        assert line == f"proposal {number} {told['in_the_way']}"
        assert "after that ada@page gave bob a code for a new password on 2026-11-28" in line
        assert there.file.read_bytes() == before
        # One who was here before it was proposed may, and who brought him in is told before and afterwards.
        carl = {"X-Test-Person": "carl administrator"}
        told = await there.site_file(f"/proposals/{number}", carl)
        assert told["in_the_way"] == ""
        assert told["ties"] == [{"by": "ada@page", "to": "carl", "what": "invited", "day": "2026-11-28"}]
        answer = await there.approved(number, carl)
        both = "ada@page, approved by carl@page, whom ada@page invited on 2026-11-28"
        assert answer.json()["lines"][0] == f"the site file of {both}, is in its place and taken over"
        assert there.text == wanted
        assert [row["by"] for row in await there.audit() if row["action"] == "change-site-file"] == [both]


async def test_that_a_site_file_waits_is_told_to_everybody(tmp_path: Path) -> None:
    """In the live view: who, until when, and nothing of what stands in it."""
    async with yard(tmp_path) as there:

        async def told(count: int) -> Any:
            while len(found := there.daemon._page.others()["site_file"]) != count:  # noqa: ASYNC110 (it is read by a thread)
                await asyncio.sleep(0.01)
            return found

        number = await there.proposed(higher(there))
        (waits,) = await told(1)
        ends = next(each["ends"] for each in (await there.site_file())["proposals"])
        assert waits == {"number": number, "by": "ada@page", "ends": ends, "version": 0}
        await there.approved(number)
        await told(0)
        again = (await there.ask("roll-back", BOB, version=1, why="it was the other tank")).json()["proposal"]
        (waits,) = await told(1)
        assert waits["version"] == 1
        there.passes(7 * 86_400)
        assert there.daemon._page.others()["site_file"] == []
        assert (await there.ask("decline", ADA, proposal=again, why="x")).status_code == 404


async def test_it_goes_back_by_a_proposal_like_any_other(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        before, wanted = there.text, higher(there)
        await there.approved(await there.proposed(wanted))
        assert (await there.site_file("/versions/1"))["text"] == before
        asked = (await there.ask("roll-back", BOB, version=1, why="it was the other tank")).json()
        assert there.text == wanted
        refused = await there.approved(asked["proposal"], BOB)
        assert refused.status_code == 409
        assert (await there.approved(asked["proposal"], ADA)).status_code == 200
        assert there.text == before
        assert there.daemon.settings.tanks[0].plan.reference_height_m == 15.24
        assert (await there.ask("roll-back", BOB, version=7, why="x")).status_code == 404


async def test_a_file_that_was_changed_on_the_disk_is_left_alone(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        number = await there.proposed(higher(there))
        there.file.write_text(f"{there.text}# by hand\n", "utf-8")
        by_hand = there.text
        page = await there.site_file()
        assert page["on_disk"]["differs"]
        assert not page["proposals"][0]["fits"]
        answer = await there.approved(number)
        assert (answer.status_code, there.text) == (409, by_hand)
        assert "was changed on the disk after this was proposed" in answer.json()["lines"][0]
        assert (await there.site_file())["versions"] == []
        stale = await there.ask("propose", text="x", why="y", based_on="0" * 64)
        assert stale.status_code == 422, "its mistakes come first"
        stale = await there.ask("propose", text=higher(there), why="y", based_on="0" * 64)
        assert (stale.status_code, stale.json()["lines"]) == (
            409,
            ["the file on the disk is another than the one on which this was written"],
        )


async def test_a_file_that_another_names_is_as_it_was_when_it_was_proposed(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        part = tmp_path / "more.yaml"
        part.write_text("lines:\n  south: {address: '127.0.0.1:2'}\n", "utf-8")
        text = higher(there).replace("include: ", "include: [more.yaml, ", 1).replace("yard.yaml\n", "yard.yaml]\n", 1)
        number = await there.proposed(text)
        part.write_text("lines:\n  south: {address: '127.0.0.1:3'}\n", "utf-8")
        answer = await there.approved(number)
        assert answer.status_code == 409, answer.text
        assert answer.json()["lines"][0].endswith("more.yaml: changed on the disk after this was proposed")


async def test_what_cannot_be_taken_over_is_put_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with yard(tmp_path) as there:
        before = there.file.read_bytes()
        number = await there.proposed(higher(there))

        async def refuses(_: object) -> None:
            assert there.file.read_bytes() != before, "it is asked to take over what lies there"
            raise OSError("no port is free")

        monkeypatch.setattr(there.daemon, "take_over", refuses)
        answer = await there.approved(number)
        assert answer.status_code == 409
        assert any("no port is free" in line for line in answer.json()["lines"])
        assert there.file.read_bytes() == before
        assert not there.daemon.site_file_refused
        page = await there.site_file()
        assert not page["on_disk"]["differs"]
        assert page["proposals"][0]["state"] == "waits"
        assert "no port is free" in page["proposals"][0]["said"]
        row = next(row for row in await there.audit() if row["action"] == "change-site-file")
        assert row["asked"]["outcome"] == "refused"
        assert row["after"] == row["before"]


async def test_a_proposal_is_declined_with_a_reason_or_ends(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        first = await there.proposed(higher(there))
        again = await there.ask("propose", text=higher(there), why="again", based_on=there.sha)
        assert again.json()["lines"] == [f"the same waits already as proposal {first} of ada@page"]
        assert (await there.ask("decline", proposal=first, why="")).status_code == 400
        assert (await there.ask("decline", BOB, proposal=first, why="not this month")).status_code == 200
        assert (await there.ask("decline", BOB, proposal=first, why="not this month")).status_code == 404
        assert (await there.approved(first)).status_code == 404
        second = await there.proposed(higher(there))
        assert second == first + 1
        there.passes(7 * 86_400)
        ended = await there.ask("approve", BOB, proposal=second, sha256=sha256_of(higher(there).encode()))
        assert ended.status_code == 404


async def test_it_is_for_administrators_and_what_was_looked_at_is_what_is_approved(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        number = await there.proposed(higher(there))
        assert (await there.ask("approve", BOB, proposal=number, sha256="0" * 64)).status_code == 400
        for role in ("viewer", "operator", "technician", "accountant"):
            who = {"X-Test-Person": f"vi {role}"}
            assert (await there.client.get("/api/1/site-file", headers=who)).status_code == 403
            for word in ("check", "table", "propose", "roll-back", "approve", "decline"):
                assert (await there.ask(word, who)).status_code == 403
        assert (await there.client.get("/api/1/site-file")).status_code == 401


async def test_a_new_table_lies_beside_it_and_no_table_is_replaced(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        shape = (
            "shape: {kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}, reference_height: 15.240 m, level"
        )
        assert shape in there.text
        text = there.text.replace(shape, "capacity_table: tk-1.csv, reference_height: 15.240 m, level")
        without = (await there.ask("check", text=text)).json()
        assert without["mistakes"][0]["text"].endswith(
            f"there is no file {tmp_path}/tk-1.csv; the path counts from the folder of this file"
        )
        number = await there.proposed(text, tables={"tk-1.csv": TABLE})
        assert not (tmp_path / "tk-1.csv").exists()
        # Whoever approves it sees what is in it: 255 m3 a metre, beside pi/4 18^2 of the cylinder.
        (shown,) = (await there.site_file(f"/proposals/{number}", BOB))["new_tables"]
        assert (shown["name"], len(shown["rows"])) == ("tk-1.csv", 4)
        assert (shown["rows"][0], shown["rows"][-1]) == ([0.0, 0.0], [14.6, pytest.approx(3723.0)])
        (of_tank,) = shown["tanks"]
        assert (of_tank["tank"], len(of_tank["volumes"])) == ("TK-1", 10)
        assert "upright cylinder" in of_tank["before"]
        for each in of_tank["volumes"]:
            assert each["after"] == pytest.approx(255.0 * each["level"])
            assert each["before"] == pytest.approx(math.pi / 4 * 18.0**2 * each["level"])
        assert of_tank["largest"]["level"] == 14.6
        assert (await there.approved(number)).status_code == 200
        assert (tmp_path / "tk-1.csv").read_text("utf-8") == TABLE
        # 1275 m3 at 5.000 m, straight between the rows: 255 m3 for each metre.
        assert there.daemon.settings.tanks[0].plan.capacity.volume(3.0) == pytest.approx(765.0)
        (beside,) = [each for each in (await there.site_file())["beside"] if each["name"].endswith("tk-1.csv")]
        assert (beside["sha256"], beside["differs"]) == (sha256_of(TABLE.encode()), False)
        unused = (await there.ask("check", text=text, tables={"tk-9.csv": TABLE})).json()
        assert "no tank goes by this table" in unused["mistakes"][0]["text"]
        other = TABLE.replace("1275", "1276")
        again = await there.proposed(f"{text}# again\n", tables={"tk-1.csv": other})
        answer = await there.approved(again)
        assert answer.status_code == 409
        assert "no table is replaced" in answer.json()["lines"][0]
        assert (tmp_path / "tk-1.csv").read_text("utf-8") == TABLE


@pytest.mark.parametrize(
    "name", ["../x.csv", "a/b.csv", "/etc/x.csv", ".csv", "site.yaml", "x.csv\n", "x" * 200 + ".csv"]
)
async def test_the_name_of_a_table_leads_nowhere_else(tmp_path: Path, name: str) -> None:
    async with yard(tmp_path) as there:
        for word, body in (
            ("check", {"text": there.text, "tables": {name: TABLE}}),
            ("table", {"tank": "TK-1", "name": name, "text": TABLE}),
        ):
            answer = await there.ask(word, **body)
            assert answer.status_code == 400, answer.text
            assert "cannot be the name of a new table" in answer.json()["lines"][0]


@pytest.mark.parametrize(
    ("given", "said"),
    [({"ledger": False}, "this gateway keeps no ledger"), ({"state": False}, "there is no state directory")],
)
async def test_where_nothing_would_be_kept_nothing_is_taken_in(
    tmp_path: Path, given: dict[str, bool], said: str
) -> None:
    async with yard(tmp_path, **given) as there:
        page = await there.site_file()
        assert not page["may_write"]
        assert page["trouble"].startswith(said)
        answer = await there.ask("propose", text=higher(there), why="y", based_on=there.sha)
        assert (answer.status_code, answer.json()["lines"], answer.json()["hint"]) == (
            409,
            [page["trouble"]],
            page["hint"],
        )


async def test_a_folder_that_may_only_be_read(folder_of_all: Path) -> None:
    async with yard(folder_of_all) as there:
        assert (await there.site_file())["may_write"]
        number = await there.proposed(higher(there))
        before = there.text
        with as_ordinary_user():
            close_to_its_owner(folder_of_all)
            page = await there.site_file()
            assert not page["may_write"]
            assert page["trouble"] == (
                f"the gateway may not write in the folder of the site file, {folder_of_all}: permission denied"
            )
            assert "state directory" in page["hint"]
            asked = await there.ask("propose", text=f"{before}# more\n", why="y", based_on=there.sha)
            assert (asked.status_code, asked.json()["lines"]) == (409, [page["trouble"]])
        os.chmod(folder_of_all, 0o755)
        assert (await there.approved(number)).status_code == 200


async def test_a_reload_waits_for_a_change_and_reads_what_came_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with yard(tmp_path) as there:
        before = there.text
        number = await there.proposed(higher(there))
        reached, refused, read = asyncio.Event(), asyncio.Event(), []

        async def refuses(_: object) -> None:
            reached.set()
            await refused.wait()
            raise OSError("no port is free")

        monkeypatch.setattr(there.daemon, "take_over", refuses)

        def reads() -> tuple[SiteSettings, Running]:
            read.append(there.text)
            return there._read()

        monkeypatch.setattr(there.reloader, "_read", reads)
        reloading = asyncio.create_task(there.reloader.run())
        approving = asyncio.create_task(there.approved(number))
        await reached.wait()
        # As SIGHUP asks, while the other file lies there and is not taken over yet.
        there.reloader.ask()
        for _ in range(50):
            await asyncio.sleep(0)
        assert read == [higher_of(before)]
        refused.set()
        assert (await approving).status_code == 409
        while len(read) < 2:  # noqa: ASYNC110 (it is read by a thread)
            await asyncio.sleep(0.01)
        reloading.cancel()
        assert read == [higher_of(before), before], "and never the one that was refused"


def higher_of(text: str) -> str:
    return text.replace(*HIGHER)


@pytest.mark.parametrize("word", ["propose", "roll-back", "approve", "decline"])
async def test_who_is_out_when_it_has_been_checked_has_nothing_done(tmp_path: Path, word: str) -> None:
    """A check takes up to a minute, and so may a reload that has the turn: he was removed meanwhile."""
    async with yard(tmp_path) as there:
        first = there.text
        assert (await there.approved(await there.proposed(higher(there)))).status_code == 200
        number = await there.proposed(first + "\n")
        before = there.file.read_bytes(), await there.site_file(), await there.audit()
        (sha,) = [each["sha256"] for each in before[1]["proposals"] if each["number"] == number]
        asked: dict[str, Any] = {
            "propose": {"text": first + "# anew\n", "why": "anew", "based_on": there.sha},
            "roll-back": {"version": 1, "why": "as it was"},
            "approve": {"proposal": number, "sha256": sha},
            "decline": {"proposal": number, "why": "not so"},
        }
        there.out.add("bob")
        answer = await there.ask(word, BOB, **asked[word])
        assert (answer.status_code, answer.json()["lines"]) == (
            409,
            ["your session has ended meanwhile: nothing was done"],
        )
        assert (there.file.read_bytes(), await there.audit()) == (before[0], before[2])
        assert (await there.site_file())["proposals"] == before[1]["proposals"]


async def test_what_somebody_proposed_who_may_no_more_is_not_approved(tmp_path: Path) -> None:
    """Two stand for it, and one of them was removed, or is a viewer by now."""
    async with yard(tmp_path) as there:
        before, number = there.file.read_bytes(), await there.proposed(higher(there))
        asked: list[tuple[str, object]] = []

        def nobody(by: str, about: Mapping[str, Any]) -> bool:
            asked.append((by, about["action"]))
            return False

        there.daemon.acting.still_asks = nobody
        answer = await there.approved(number)
        assert (answer.status_code, answer.json()["lines"]) == (
            409,
            [
                f"proposal {number} is of ada@page, who may not propose it any more; "
                "decline it, and have it proposed anew"
            ],
        )
        assert asked == [("ada@page", "site-file")]
        assert may_ask(Role.ADMINISTRATOR, {"action": "site-file"})
        assert not may_ask(Role.TECHNICIAN, {"action": "site-file"})
        assert there.file.read_bytes() == before
        assert (await there.ask("decline", BOB, proposal=number, why="she has left")).status_code == 200


async def test_a_version_that_is_no_text_is_not_gone_back_to(tmp_path: Path) -> None:
    """Somebody saved it on the machine in an encoding of another time, and it was put right on the page."""
    async with yard(tmp_path) as there:
        right = there.text
        there.file.write_bytes(right.encode() + b"# caf\xe9\n")
        assert (await there.approved(await there.proposed(right))).status_code == 200
        answer = await there.ask("roll-back", version=1, why="as it was")
        assert answer.status_code == 409
        assert answer.json()["lines"] == [
            f"version 1: is not UTF-8 text (byte {len(right.encode()) + 5}); save it as UTF-8"
        ]
