"""The site file replaced on the disk, one step after the other. Blocks: for a thread of its own.

A crash between any two steps leaves a right file in its place, the one or the other, and `settled` finds out which. In
this order: what stands there is kept, it is noted what is about to be done, new tables are written (which nothing
names yet), and the file is replaced at once by a rename.
"""

import errno
import os
import secrets
import stat
from datetime import datetime
from pathlib import Path

from gateway.errors import GatewayError
from gateway.files import read_bytes, replace_whole
from gateway.settings.reading.document import LARGEST_FILE
from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.proposal import Change, Proposal, Step, Version, iso
from gateway.site_desk.store import Store

__all__ = ["Replacing", "write_trouble"]

_BROKEN_OFF = "it was broken off before the file was replaced: all is as it was"
_SOMEBODY = "it was broken off, and the file was changed by somebody else since"
_PUT_BACK = "the gateway did not take it over, and the file of before is in its place again"


class Replacing:
    def __init__(self, file: Path, store: Store) -> None:
        self._named = file
        self._store = store

    @property
    def file(self) -> Path:
        """Where it is, links followed: a link stays what it is."""
        return Path(os.path.realpath(self._named))

    def present(self) -> bytes:
        """Raises UnreadableError."""
        return read_bytes(self.file, LARGEST_FILE)

    def begin(self, proposal: Proposal, by: str, why: str, now: datetime, both: str) -> Change:
        """Put the proposed file in its place. `both`: how it bears the two who stand for it. Raises GatewayError and
        OSError; then it is not there."""
        before = self.present()
        self._refuse_another(proposal, before)
        version = Version(
            self._store.next_number(Version), sha256_of(before), len(before), iso(now), proposal.by, proposal.why
        )
        self._store.keep_version(version, before)
        change = Change(
            secrets.token_hex(8),
            proposal.number,
            version.number,
            version.sha256,
            proposal.sha256,
            {name: sha256_of(text.encode()) for name, text in proposal.tables.items()},
            proposal.by,
            by,
            proposal.why,
            why,
            iso(now),
            Step.WRITING,
            False,
            both=both,
        )
        self._store.keep(change)
        try:
            for name, text in proposal.tables.items():
                self._write_table(name, text.encode())
            self._refuse_another(proposal, self.present())
            self._replace(proposal.text.encode())
        except (OSError, GatewayError):
            # Nothing stands in the way of the next: whatever is on the disk now was there before.
            self._store.keep(change._replace(step=Step.REFUSED, is_audited=True, lines=(_BROKEN_OFF,)))
            raise
        return change

    def put_back(self, change: Change) -> None:
        """The file of before, where that of the change stands. Raises OSError and GatewayError."""
        if sha256_of(self.present()) != change.after:
            return
        before = self._store.text_of(change.version)
        if before is None or sha256_of(before) != change.before:
            raise GatewayError(f"the file of before, version {change.version}, cannot be read where it was kept")
        self._replace(before)

    def end(self, change: Change, step: str, lines: tuple[str, ...]) -> Change:
        """It is told what has come of it. Raises OSError."""
        ended = change._replace(step=step, lines=lines)
        self._store.keep(ended)
        self._decided(ended)
        return ended

    def settled(self, in_force: str) -> Change | None:
        """The last change, of which it is found out what has come, if nobody could tell. `in_force`: SHA-256 of the
        file that the gateway goes by. Raises OSError and GatewayError."""
        last = self._store.last_change()
        if last is None or last.step != Step.WRITING:
            if last is not None:
                self._decided(last)
            return last
        present = sha256_of(self.present())
        if present == last.after == in_force:
            return self.end(last, Step.DONE, ())
        if present == last.after:
            self.put_back(last)
            return self.end(last, Step.REFUSED, (_PUT_BACK,))
        return self.end(last, Step.REFUSED, (_BROKEN_OFF if present == last.before else _SOMEBODY,))

    def _decided(self, change: Change) -> None:
        """What is done waits no more; what could not be waits as before, and says why."""
        proposal = self._store.proposal(change.proposal)
        if proposal is None or proposal.state != "waits":
            return
        if change.step == Step.DONE:
            proposal = proposal._replace(state="done", text="", tables={})
        else:
            proposal = proposal._replace(said="; ".join(change.lines))
        self._store.keep(proposal)

    def _refuse_another(self, proposal: Proposal, present: bytes) -> None:
        if sha256_of(present) != proposal.based_on:
            error = GatewayError(f"{self.file} was changed on the disk after this was proposed: nothing is done")
            error.hint = "decline it, and propose it again on what stands there now"
            raise error

    def _write_table(self, name: str, data: bytes) -> None:
        """Beside the site file. No table is replaced: a site may rely on it."""
        path = self._named.parent / name
        if os.path.lexists(path):
            if read_bytes(path, len(data) + 1) != data:
                raise GatewayError(f"{path} is there already and is another; no table is replaced: choose a new name")
            return
        replace_whole(str(path), data, mode=self._mode())

    def _replace(self, data: bytes) -> None:
        replace_whole(str(self.file), data, mode=self._mode())

    def _mode(self) -> int:
        """As the site file has it: whoever could read it still can."""
        return stat.S_IMODE(os.stat(self.file).st_mode)


def write_trouble(file: Path) -> tuple[str, str]:
    """Why the gateway cannot put another file in its place, and what would let it; two empty texts where it can."""
    folder = Path(os.path.realpath(file)).parent
    for place in dict.fromkeys((folder, file.parent)):
        try:
            if not os.access(place, os.W_OK | os.X_OK, effective_ids=True):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        except OSError as error:
            cause = (error.strerror or str(error)).lower()
            return (
                f"the gateway may not write in the folder of the site file, {place}: {cause}",
                "let the user that it runs as write there, and where a service manager keeps it from that, keep the "
                "site file and its tables in the state directory; until then it is changed on the machine, and taken "
                "over by `tank-gateway reload`",
            )
    return "", ""
