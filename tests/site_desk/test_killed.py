"""Killed between any two steps: a right file is in its place, and what is told of it is true."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.proposal import Step
from gateway.site_desk.replacing import Replacing
from gateway.site_desk.store import Store
from tests.site_desk.dying import AFTER, BEFORE, TABLE
from tests.site_desk.test_changing import higher
from tests.site_desk.yard import yard

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("outcome", [Step.DONE, Step.REFUSED])
def test_the_file_is_whole_and_what_is_told_is_true(tmp_path: Path, outcome: str) -> None:
    """Before each call that changes something, until there is none left to die before."""
    subprocess.run(
        [sys.executable, "-m", "tests.site_desk.dying", str(tmp_path), outcome], cwd=ROOT, timeout=50, check=True
    )
    folders = sorted(tmp_path.iterdir(), key=lambda folder: int(folder.name))
    assert len(folders) > 30, "there are many calls to die before"
    found = set()
    for folder in folders:
        # As after a power cut, by what lies there; and as where a disk hung: by the file of before, where it lives.
        found.add(after_it(folder, runs_on=False))
        shutil.copytree(folder, other := folder.with_name(f"{folder.name} runs on"))
        found.add(after_it(other, runs_on=True))
    assert found == {(BEFORE, None), (BEFORE, Step.REFUSED), (AFTER, Step.DONE)}


def after_it(killed: Path, *, runs_on: bool) -> tuple[bytes, str | None]:
    """What lies there, and what is told of it."""
    folder = killed.with_name(f"{killed.name} {runs_on}")
    shutil.copytree(killed, folder)
    file, store = folder / "site.yaml", Store(folder / "state")
    present = file.read_bytes()
    assert present in (BEFORE, AFTER)
    assert not (folder / "t.csv").exists() or (folder / "t.csv").read_bytes() == TABLE
    before = store.last_change()
    # What is told to be done is in force before it is told so.
    is_told_done = before is not None and before.step == Step.DONE
    last = Replacing(file, store).settled(sha256_of(BEFORE if runs_on and not is_told_done else present))
    settled = file.read_bytes()
    if runs_on and not is_told_done:
        assert settled == BEFORE, "what the gateway does not go by does not stay there as if it did"
    proposal = store.proposal(1)
    assert proposal is not None
    if last is None:
        assert (settled, proposal.state) == (BEFORE, "waits")
    elif last.step == Step.DONE:
        assert (settled, proposal.state) == (AFTER, "done")
        assert (last.after, last.before) == (sha256_of(AFTER), sha256_of(BEFORE))
        assert store.text_of(1) == BEFORE, "what was before is kept"
    else:
        assert (last.step, settled, proposal.state) == (Step.REFUSED, BEFORE, "waits")
    assert Replacing(file, store).settled(sha256_of(settled)) == last, "settled is settled"
    return settled, None if last is None else last.step


async def test_a_crash_before_the_audit_trail_leaves_one_row(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        wanted = higher(there)
        await there.approved(await there.proposed(wanted))
        store = there.desk.store
        last = store.last_change()
        assert last is not None
        assert last.is_audited
        # As it stands where the row is there, and that it is there could not be noted any more.
        store.keep(last._replace(is_audited=False))
        text = there.text
    async with yard(tmp_path, text=text) as there:
        rows = [row for row in await there.audit() if row["action"] == "change-site-file"]
        assert len(rows) == 1
        assert there.desk.store.last_change() == last
        # And where it is not there.
        there.desk.store.keep(last._replace(id="another", is_audited=False))
        there.desk.is_settled = False
        await there.desk._settle()
        rows = [row for row in await there.audit() if row["action"] == "change-site-file"]
        assert [row["asked"]["change"] for row in rows] == ["another", last.id]
        assert (await there.site_file())["in_force"]["by"] == "ada@page"


async def test_a_disk_that_takes_nothing_leaves_all_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with yard(tmp_path) as there:
        before = there.file.read_bytes()
        number = await there.proposed(higher(there))

        def full(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr(Replacing, "_replace", full)
            answer = await there.approved(number)
        assert answer.status_code == 409
        assert "No space left on device" in answer.json()["lines"][0]
        assert there.file.read_bytes() == before
        assert (await there.approved(number)).status_code == 200
