"""Secrets that every user of the machine may read. A warning only: the box that runs the site may be another one."""

from collections.abc import Iterable
from pathlib import Path

from gateway.acquisition.plan import LinePlan, TcpPath
from gateway.files import is_readable_by_all
from gateway.settings.reading.document import KeyPath
from gateway.settings.tanks.manual import ManualValues

__all__ = ["warn_of_open_keys", "warn_of_open_secret"]


def warn_of_open_secret(file: Path, key: KeyPath, manual: ManualValues) -> None:
    """`key` is where the site file names it."""
    if is_readable_by_all(file):
        manual.warn(key, f"every user of this machine may read the secret in {file}; chmod 0600 takes that away")


def warn_of_open_keys(lines: Iterable[LinePlan], manual: ManualValues) -> None:
    """The keys of lines with TLS."""
    for line in lines:
        here: KeyPath = ("lines", line.name)
        for key, path in ((here, line.primary), ((*here, "standby"), line.standby)):
            if isinstance(path, TcpPath) and path.tls is not None:
                warn_of_open_secret(path.tls.key, (*key, "tls", "key"), manual)
