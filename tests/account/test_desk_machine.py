"""Any course of acts, movements, stops, kills and a disk that takes nothing in: no number is lost or doubled, what was
answered is kept, and the book is what the file says."""

import asyncio
import random
import shutil
import tempfile
from pathlib import Path
from typing import Any
from unittest import mock

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.account.transfer import TransferPhase
from gateway.ledger.account_papers import read_known
from gateway.ledger.open_file import OpenFile
from gateway.ledger.reading_file import opened
from tests.account.test_accounting import RATE, disk_full
from tests.crash.test_account_kills import Clerk, digests, wrong_in
from tests.support.account_desk import Desk

_number = st.integers(1, 5)
_tank = st.sampled_from(["TK-1", "TK-2"])
_starts = st.tuples(
    st.sampled_from(["plan-transfer", "start-transfer"]), st.sampled_from(["receipt", "dispatch", "water_draw"]), _tank
)
DEEDS = ("start", "pause", "resume", "finish", "close", "cancel")
_deeds = st.tuples(st.sampled_from([*DEEDS, "close", "finish"]), _number)
_moved = st.tuples(st.just("move and close"), _tank, st.sampled_from([RATE, -RATE]))
STEPS = st.one_of(
    _starts,
    _deeds,
    _moved,
    _moved,
    st.tuples(st.just("reverse-ticket"), _number),
    st.tuples(st.just("amount"), st.integers(1, 90), st.sampled_from(["", "BL 1", "BL 2"])),
    st.tuples(st.just("reverse-amount"), _number),
    st.tuples(st.just("close-day")),
    st.tuples(st.just("moves"), _tank, st.sampled_from([RATE, -RATE, 0.0])),
    st.tuples(st.just("passes"), st.sampled_from([60.0, 900.0, 2400.0])),
    st.tuples(st.sampled_from(["restart", "kill", "disk is full", "disk is well"])),
)


def request_of(step: tuple[Any, ...]) -> dict[str, str] | None:
    match step:
        case ("plan-transfer" | "start-transfer" as action, kind, tank):
            return {"action": action, "kind": kind, "target" if kind == "receipt" else "source": tank}
        case ("reverse-ticket", number):
            return {"action": "reverse-ticket", "ticket": str(number), "partner": "MT Anew"}
        case ("amount", value, reference):
            given = {"kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
            named = {"reference": reference} if reference else {}
            return {"action": "amount", **given, "amount": f"{value} m3", "at": "2026-03-14T05:30Z", **named}
        case ("reverse-amount", number):
            return {"action": "reverse-amount", "amount": str(number)}
        case ("close-day",):
            return {"action": "close-day"}
        case ("start" | "pause" | "resume" | "finish" | "close" | "cancel" as deed, number):
            return {"action": f"{deed}-transfer", "transfer": str(number)}
        case _:
            return None


class Course:
    """One life after the other of one site."""

    def __init__(self, folder: Path, clerk: Clerk) -> None:
        self.desk = Desk(folder / "life-0", every_s=300.0)
        self.desk.folder.mkdir()
        self.clerk = clerk
        self.lives = 0
        self.before: dict[str, str] = {}
        self.is_full = False

    async def take(self, number: int, step: tuple[Any, ...]) -> None:
        if step[0] == "move and close":
            await self.move_and_close(number, step[1], step[2])
            return
        desk, request = self.desk, request_of(self.meant(step))
        if request is not None:
            request["why"] = f"step {number}"
            answer = await desk.accounts.act(request, desk.action(request), "kim")
            if answer["code"] == 0:
                assert not self.is_full, "what the disk did not take in cannot hold"
                self.clerk.done.append(request)
        elif step[0] == "moves":
            desk.yard.moves(step[1], step[2])
        elif step[0] == "passes" and not self.is_full:
            await desk.passes(step[1])
        elif step[0] in ("restart", "kill") and not self.is_full:
            await self.begin_anew(by_kill=step[0] == "kill")

    async def move_and_close(self, number: int, tank: str, rate: float) -> None:
        """A transfer from its start to its ticket, as far as nothing stands against it."""
        first = 100 * (number + 1)
        await self.take(first, ("start-transfer", "receipt" if rate > 0.0 else "dispatch", tank))
        for step in (("moves", tank, rate), ("passes", 900.0), ("moves", tank, 0.0), ("passes", 60.0)):
            await self.take(first, step)
        book = self.desk.accounts.book
        begun = None if book is None else book.begun_at(tank)
        if book is not None and begun is not None:
            await self.take(first + 1, ("close", sorted(book.transfers).index(begun.number)))

    def meant(self, step: tuple[Any, ...]) -> tuple[Any, ...]:
        """Most acts are of something that is there."""
        book = self.desk.accounts.book
        if book is None or step[0] not in (*DEEDS, "reverse-ticket"):
            return step
        there = range(1, book.last_ticket + 1) if step[0] == "reverse-ticket" else sorted(book.transfers)
        return (step[0], there[step[1] % len(there)]) if there else step

    async def begin_anew(self, *, by_kill: bool) -> None:
        desk = self.desk
        await desk.settled()
        self.lives += 1
        boot = f"boot-{self.lives + 1}"
        if by_kill:
            folder = desk.folder.with_name(f"life-{self.lives}")
            folder.mkdir()
            for name in (desk.file.name, f"{desk.file.name}-wal"):
                shutil.copy(desk.folder / name, folder / name)
            await desk.ends(boot)
            desk.folder = folder
        else:
            await desk.ends(boot)
        self.before = digests(desk.file, self.before)
        assert not wrong_in(desk.file, self.clerk)
        desk.yard.passes(60.0)
        await desk.begin()


@settings(deadline=None, max_examples=25)
@given(st.lists(STEPS, min_size=4, max_size=25))
def test_no_course_of_things_loses_or_doubles_a_paper(steps: list[tuple[Any, ...]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "clerk").mkdir()
        asyncio.run(live(Course(Path(folder), Clerk(Path(folder) / "clerk", random.Random(0))), steps))


async def live(course: Course, steps: list[tuple[Any, ...]]) -> None:
    desk, commit = course.desk, OpenFile.commit

    def may_fail(file: OpenFile, *given: Any, **more: Any) -> Any:
        if course.is_full:
            raise disk_full()
        return commit(file, *given, **more)

    with (
        mock.patch.object(OpenFile, "commit", may_fail),
        mock.patch("gateway.desk.accounting._WRITE_S", 0.3),
        mock.patch("gateway.ledger.writer._FIRST_RETRY_S", 0.01),
        mock.patch("gateway.ledger.writer._LONGEST_RETRY_S", 0.02),
    ):
        await desk.begin()
        for number, step in enumerate(steps):
            if step[0].startswith("disk is"):
                course.is_full = step[0] == "disk is full"
            else:
                await course.take(number, step)
        course.is_full = False
        desk.yard.passes(10.0)
        await desk.settled()
        await desk.passes(2400.0)
        book = desk.accounts.book
        assert book is not None
        assert desk.accounts.faults == 0
        await desk.keeping.close(None)
        with opened(desk.file) as connection:
            known = read_known(connection)
        assert set(known.transfers) == set(book.transfers)
        assert all(not transfer.phase.is_over for transfer in book.transfers.values())
        assert TransferPhase.CLOSED not in {transfer.phase for transfer in book.transfers.values()}
        course.before = digests(desk.file, course.before)
        wrong = wrong_in(desk.file, course.clerk)
        assert not wrong, wrong
