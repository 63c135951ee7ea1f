"""When a time server last set the machine's clock right, as systemd-timesyncd leaves it on the disk.

The kernel knows it of any other client too (adjtimex), but a confined service may not ask it.
"""

from pathlib import Path

__all__ = ["synchronised_ns"]

_FILE = Path("/run/systemd/timesync/synchronized")
"""systemd-timesyncd.service(8): touched each time that the clock was synchronised."""


def synchronised_ns() -> int | None:
    """UTC in ns; None where nobody can tell."""
    try:
        return _FILE.stat().st_mtime_ns
    except OSError:
        return None
