"""Processes that put a proposed file in its place, each killed before another of the calls that change something."""

import os
import signal
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.proposal import Proposal, Step
from gateway.site_desk.replacing import Replacing
from gateway.site_desk.store import Store

__all__ = ["AFTER", "BEFORE", "TABLE"]

BEFORE, AFTER, TABLE = b"site: before\n", b"site: after\n", b"level,volume\n"
NOW = datetime(2026, 11, 28, 6, tzinfo=UTC)
_CHANGING = ("open", "write", "rename", "unlink", "fsync", "mkdir", "fchmod")
_MOST = 300


def all_of_them(folder: Path, outcome: str) -> None:
    """Each in a folder of its own, named by the number of the call; the last one came to its end."""
    for dies_before in range(1, _MOST):
        file, store = _made(folder / str(dies_before))
        child = os.fork()
        if child == 0:
            _change(file, store, dies_before, outcome)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if status == 0:
            return
        assert os.WTERMSIG(status) == signal.SIGKILL, status
    raise AssertionError(f"more than {_MOST} calls")


def _made(folder: Path) -> tuple[Path, Store]:
    folder.mkdir()
    file, store = folder / "site.yaml", Store(folder / "state")
    file.write_bytes(BEFORE)
    shas = sha256_of(BEFORE), sha256_of(AFTER)
    tables = {"t.csv": TABLE.decode()}
    store.keep(Proposal(1, AFTER.decode(), tables, shas[0], {}, shas[1], "ada@page", "why", "a", "z", ()))
    return file, store


def _change(file: Path, store: Store, dies_before: int, outcome: str) -> None:
    left = dies_before

    def dying(call: Callable[..., Any]) -> Callable[..., Any]:
        def called(*given: Any, **named: Any) -> Any:
            nonlocal left
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*given, **named)

        return called

    proposal = store.proposal(1)
    assert proposal is not None
    for name in _CHANGING:
        setattr(os, name, dying(getattr(os, name)))
    replacing = Replacing(file, store)
    change = replacing.begin(proposal, "bob@page", "", NOW, "ada@page, approved by bob@page")
    if outcome == Step.REFUSED:
        replacing.put_back(change)
    replacing.end(change, outcome, ())


if __name__ == "__main__":
    all_of_them(Path(sys.argv[1]), sys.argv[2])
