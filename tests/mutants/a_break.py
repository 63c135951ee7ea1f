"""What a deliberate break is."""

from typing import NamedTuple

__all__ = ["Break"]


class Break(NamedTuple):
    """One way in which the program is broken on purpose."""

    name: str
    file: str
    old: str
    """Stands in the file exactly once."""
    new: str
    tests: tuple[str, ...]
    """Where at least one test must turn red. As few and quick as show it."""
