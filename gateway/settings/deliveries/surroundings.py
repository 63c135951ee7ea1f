"""What every kind of destination in a site file is read with: its document, its mistakes, the files that it names."""

import ipaddress
import re
from pathlib import Path
from typing import NamedTuple

from gateway.delivery.plan import TlsPlan
from gateway.files import trouble_with
from gateway.settings.deliveries.models import TlsModel
from gateway.settings.deliveries.open_secrets import warn_of_open_secret
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.tanks.manual import ManualValues

__all__ = ["Reading", "check_one_secret", "is_loopback"]

_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
_SECRETS = ("password_file", "secret_file", "users_file", "key")


class Reading(NamedTuple):
    """One site file while its destinations are read."""

    document: Document
    mistakes: Mistakes
    manual: ManualValues
    """Which takes the warnings."""

    def file(self, text: str | None, key: KeyPath) -> Path | None:
        """The path that is written there, which counts from the file in which it is written."""
        if text is None:
            return None
        file = Path(self.document.place(key).file).parent / text
        # Warnings only: the machine and the user that run the file may be others than those that check it.
        trouble = trouble_with(file)
        if trouble is not None:
            self.manual.warn(key, f"there is no file {file} on this machine" if trouble.missing else trouble.sentence)
        elif key[-1] in _SECRETS:
            warn_of_open_secret(file, key, self.manual)
        return file

    def file_to_write(self, text: str | None, key: KeyPath) -> Path | None:
        """Likewise of a file that need not be there yet."""
        return None if text is None else (Path(self.document.place(key).file).parent / text).absolute()

    def tls(self, model: TlsModel | None, host: str, path: KeyPath) -> TlsPlan | None:
        """The files of the block `tls` at `path`, checked; a warning where another machine is spoken to without."""
        if model is None:
            if not is_loopback(host):
                text = f"{host} is another machine and everything goes there unencrypted; give tls"
                self.manual.warn((*path, "address"), text)
            return None
        if (model.certificate is None) != (model.key is None):
            missing = "key" if model.key is None else "certificate"
            self.mistakes.add((*path, "tls", missing), "is missing; a certificate and its key go together")
        here: KeyPath = (*path, "tls")
        return TlsPlan(
            self.file(model.ca, (*here, "ca")),
            self.file(model.certificate, (*here, "certificate")),
            self.file(model.key, (*here, "key")),
        )


def check_one_secret(file: str | None, variable: str | None, word: str, path: KeyPath, reading: Reading) -> None:
    """A secret comes from one place: `WORD_file` or `WORD_variable`."""
    if file is not None and variable is not None:
        text = f"stands beside {word}_file; keep one of the two"
        reading.mistakes.add((*path, f"{word}_variable"), text)
    if variable is not None and not _VARIABLE.fullmatch(variable):
        text = (
            f"'{variable}' is no name of a variable of the environment; write for example TANK_GATEWAY_{word.upper()}"
        )
        reading.mistakes.add((*path, f"{word}_variable"), text)


def is_loopback(host: str) -> bool:
    """Whether it is this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
