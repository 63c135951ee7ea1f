"""Another user's eyes: what root may read, an ordinary user may not."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

__all__ = ["as_ordinary_user", "folder_of_all"]

_NOBODY = 65534


@contextmanager
def as_ordinary_user() -> Iterator[None]:
    """Where the tests are run by root, files with mode 0 can be read all the same: be nobody for a while."""
    if os.geteuid() != 0:
        yield
        return
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(_NOBODY)
    os.seteuid(_NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)


@pytest.fixture
def folder_of_all() -> Iterator[Path]:
    """A folder that every user may look into, which those of pytest are not."""
    with TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        yield Path(name)
