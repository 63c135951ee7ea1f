"""One gateway for a site, one master for a line: on this machine, and told apart by what the system itself locks."""

import errno
import json
import os
import tempfile
from pathlib import Path

import pytest

from gateway.process.running import (
    DIRECTORY_VARIABLE,
    ClaimedError,
    Running,
    claim,
    found_gateways,
    read_pass,
    running_gateways,
)
from tests.support.claims import claimed

LINES = {"east": ("192.0.2.10:502",), "bus": ("/dev/ttyS1", "192.0.2.11:4001")}
HARBOUR = Running("harbour", 4711, "127.0.0.1:9109", LINES)


def test_a_second_gateway_of_a_site_is_refused_with_where_the_first_answers() -> None:
    with claimed(HARBOUR):
        with pytest.raises(ClaimedError) as refused, claim(HARBOUR._replace(pid=1, lines={})):
            pass
        text = "site harbour is watched by another gateway on this machine already (process 4711, answering at"
        assert text in str(refused.value)
        assert "127.0.0.1:9109" in str(refused.value)


@pytest.mark.parametrize("place", ["192.0.2.10:502", "/dev/ttyS1", "192.0.2.11:4001"])
def test_a_line_that_another_site_polls_is_refused_both_ways_of_it(place: str) -> None:
    other = Running("depot", 1, None, {"west": (place,)})
    words = "which the gateway of site harbour polls as its line"
    with claimed(HARBOUR), pytest.raises(ClaimedError, match=words), claim(other):
        pass


def test_another_site_with_lines_of_its_own_runs_beside_it() -> None:
    depot = Running("depot", os.getpid(), None, {"west": ("192.0.2.99:502",)})
    with claimed(HARBOUR), claim(depot):
        assert [each.site for each in running_gateways()] == ["depot", "harbour"]


def test_what_is_found_is_what_it_says_of_itself() -> None:
    assert running_gateways() == []
    with claimed(HARBOUR):
        assert running_gateways() == [HARBOUR]
    assert running_gateways() == []


def test_what_it_leaves_for_tools_is_for_its_owner_and_group_and_goes_with_it() -> None:
    with claim(HARBOUR._replace(pid=os.getpid())) as held:
        secret = held.leave_pass()
        (found,) = found_gateways()
        assert read_pass(found) == secret
        assert len(secret) == 43, "256 bits"
        file = found.file.with_suffix(".pass")
        assert file.stat().st_mode & 0o777 == 0o640
        assert held.leave_pass() != secret, "another each time"
        file.unlink()
        file.symlink_to(found.file)
        assert read_pass(found) is None, "no link is followed"
        file.unlink()
        held.leave_pass()
    assert not file.exists()
    assert read_pass(found) is None


def test_a_gateway_that_was_killed_holds_nothing() -> None:
    with claimed(HARBOUR) as process:
        process.kill()
        process.join(20.0)
        assert running_gateways() == []
        with claim(HARBOUR):
            pass


def test_what_is_not_exclusive_runs_twice_but_not_on_one_line() -> None:
    demo = Running("demo", 4711, None, {"bus-a": ("127.0.0.1:15020",)})
    with claimed(demo, exclusive=False):
        with claim(demo._replace(pid=4712, lines={"bus-a": ("127.0.0.1:15021",)}), exclusive=False):
            assert len(running_gateways()) == 2
        with pytest.raises(ClaimedError), claim(demo._replace(pid=4712), exclusive=False):
            pass


@pytest.mark.parametrize("content", ["", "{", "[]", "3", '{"schema": "x"}', '{"schema": "tank-gateway/running/1"}'])
def test_a_file_that_says_nothing_of_use_is_no_gateway(content: str) -> None:
    directory = Path(os.environ[DIRECTORY_VARIABLE])
    directory.mkdir(parents=True)
    (directory / "harbour.json").write_text(content)
    assert running_gateways() == []
    with claim(HARBOUR):
        assert json.loads((directory / "harbour.json").read_text())["site"] == "harbour"


def test_where_nothing_can_be_written_monitoring_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(DIRECTORY_VARIABLE, "/proc/nowhere")
    with claim(HARBOUR):
        assert running_gateways() == []


def test_a_site_name_cannot_lead_out_of_the_directory() -> None:
    with claim(HARBOUR._replace(site="../../x")):
        assert [file.name for file in Path(os.environ[DIRECTORY_VARIABLE]).iterdir()] == [".._.._x.json"]


def test_no_place_for_temporary_files_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A container whose every folder is read-only, or a full disk: Python's own search then finds none and raises."""

    def none() -> str:
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found")

    monkeypatch.setattr(tempfile, "gettempdir", none)
    monkeypatch.delenv(DIRECTORY_VARIABLE)
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/proc/cannot-be-made")
    monkeypatch.setenv("TMPDIR", "/proc/cannot-be-made")
    with claim(HARBOUR._replace(site="no-folder", lines={})):
        pass


def test_a_full_disk_keeps_no_site_from_being_watched_and_no_other_gateway_off_guard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def full(descriptor: int, data: bytes, offset: int) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as while_full:
        while_full.setattr(os, "pwrite", full)
        # What it is cannot be told; that it is there, the lock says.
        refused = pytest.raises(ClaimedError, match="is starting on this machine")
        with claim(HARBOUR), refused, claim(HARBOUR):
            pass
    assert running_gateways() == []
