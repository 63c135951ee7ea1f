"""The people of a running gateway: read once from their file, changed by one writer, each change on the disk before it
holds, but for what takes something away: that holds at once.

Where the file cannot be understood nobody can sign in, all of it is left as it is, and the tanks are watched.
"""

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import NamedTuple

import structlog

from gateway.errors import GatewayError
from gateway.process.one_thread import OneThread, done_within
from gateway.two_people import Given
from gateway.web.access.book import Account, Book, Guest, Invitation
from gateway.web.access.people_file import PeopleFile
from gateway.web.access.sessions import Sessions

__all__ = ["Changed", "NotKnownError", "People"]

PEOPLE_READ = "people.read"
PEOPLE_UNREADABLE = "people.unreadable"
PEOPLE_NOT_KEPT = "people.not_kept"

_READ_S = 5.0
_WRITE_S = 5.0
_NOWHERE = "this gateway has no place to keep people in"
_NOWHERE_HINT = "give a folder in TANK_GATEWAY_STATE, or StateDirectory= to systemd"


class NotKnownError(GatewayError):
    """Who is here is not known: the file was not read, cannot be, or there is none. Trying again may help."""


class Changed(NamedTuple):
    """What is to hold, and which sessions end by that."""

    accounts: Mapping[str, Account]
    invitations: Mapping[str, Invitation]
    ended: tuple[str, ...] = ()
    """Names."""
    guests: Mapping[str, Guest] | None = None
    """None: as they are."""
    given: tuple[Given, ...] | None = None
    """Likewise."""


class People:
    """From the loop. `file`: None where there is nowhere to keep them."""

    def __init__(self, file: PeopleFile | None, sessions: Sessions) -> None:
        self.accounts: Mapping[str, Account] = {}
        self.invitations: Mapping[str, Invitation] = {}
        self.guests: Mapping[str, Guest] = {}
        self.given: tuple[Given, ...] = ()
        self.sessions = sessions
        self._file = file
        self._thread = OneThread("people")
        self._is_read = False
        self._trouble: GatewayError | None = None
        self._reading: Future[Book] | None = None
        self._turn = asyncio.Lock()
        self._late: tuple[Future[None], Changed] | None = None
        self._flushing: Future[None] | None = None
        self._log = structlog.get_logger("gateway.people")

    async def known(self) -> None:
        """Returns once it is known who is here. Raises NotKnownError that says why it is not."""
        if self._is_read:
            return
        if self._file is None:
            raise _not_known(_NOWHERE, _NOWHERE_HINT)
        if self._reading is None:
            self._reading = self._thread.do(self._read)
        reading = self._reading
        if not await done_within(reading, _READ_S):
            raise _not_known(f"the disk has not given {self._file.path} within {_READ_S:g} s", "see to the disk")
        if self._is_read or reading is not self._reading:
            await self.known()  # another has taken it in meanwhile
            return
        self._reading = None
        error = reading.exception()
        if error is not None:
            trouble = _not_known(str(error), getattr(error, "hint", None) or "the log of the gateway tells more")
            if str(self._trouble) != str(trouble):
                self._log.error(PEOPLE_UNREADABLE, trouble=str(trouble), hint=trouble.hint)
            self._trouble = trouble
            raise trouble from error
        book = reading.result()
        self._is_read, self._trouble = True, None
        self.accounts, self.invitations, self.guests = book.accounts, book.invitations, book.guests
        self.given = book.given
        self.sessions.restore(book.sessions.values())
        self._log.info(PEOPLE_READ, people=len(book.accounts), sessions=len(book.sessions))

    async def change(self, make: Callable[[Mapping[str, Account], Mapping[str, Invitation]], Changed]) -> None:
        """One after the other: `make` says what is to hold from what stands; what it raises is raised.

        Raises NotKnownError, and GatewayError where the disk did not take it: it does not hold then, or not yet.
        """
        await self.known()
        async with self._turn:
            self._settle()
            if self._late is not None:
                raise _not_kept("a change before this one is not on the disk yet", "try again in a minute")
            changed = make(self.accounts, self.invitations)
            future = self._write(changed)
            self._late = (future, changed)
            if not await done_within(future, _WRITE_S):
                raise _not_kept(f"the disk has not taken it in within {_WRITE_S:g} s: it holds once it has", "")
            self._settle()
            error = future.exception()
            if error is not None:
                raise _not_kept(f"it could not be kept, and does not hold: {error}", "see to the disk") from error

    async def take_away(self, make: Callable[[Mapping[str, Account], Mapping[str, Invitation]], Changed]) -> str:
        """The same of what ends something: it holds at once. A note where the disk did not take it; else empty."""
        await self.known()
        async with self._turn:
            self._settle()
            late = None if self._late is None else self._late[1]
            changed = make(self.accounts, self.invitations)
            self._take(changed)
            if late is not None:
                # What is on its way to the disk would else come back when it has arrived.
                changed = make(late.accounts, late.invitations)
                if changed.guests is None:
                    changed = changed._replace(guests=late.guests)
                if changed.given is None:
                    changed = changed._replace(given=late.given)
            future = self._write(changed)
            if late is not None:
                self._late = (future, changed)
            if await done_within(future, _WRITE_S) and future.exception() is None:
                return ""
            return "it holds, but the disk has not taken it in: a restart would undo it; see to the disk"

    async def keep_sessions(self) -> None:
        """What has changed of them goes to the disk: once at a time, and without a sign where it does not."""
        self._settle()
        if not self._is_read or self._late is not None or (self._flushing is not None and not self._flushing.done()):
            return
        self.sessions.is_changed = False
        self._flushing = self._write(Changed(self.accounts, self.invitations))
        if not await done_within(self._flushing, _WRITE_S) or self._flushing.exception() is not None:
            self.sessions.is_changed = True

    def end(self) -> None:
        """What has changed goes to the disk as the last of it, and the file is free; nobody waits for it."""
        if self._is_read and self._late is None and self.sessions.is_changed:
            self.sessions.is_changed = False
            self._write(Changed(self.accounts, self.invitations))
        if self._file is not None:
            self._is_read = False
            self._thread.do(self._file.release)
        self._thread.end()

    def _read(self) -> Book:
        assert self._file is not None
        self._file.hold()
        return self._file.read()

    def _write(self, changed: Changed) -> "Future[None]":
        assert self._file is not None
        file, gone = self._file, set(changed.ended)
        sessions = {key: each for key, each in self.sessions.records.items() if each.name not in gone}
        guests = self.guests if changed.guests is None else changed.guests
        given = self.given if changed.given is None else changed.given
        book = Book(changed.accounts, changed.invitations, sessions, guests, given)
        return self._thread.do(lambda: self._written(file, book))

    def _written(self, file: PeopleFile, book: Book) -> None:
        try:
            file.write(book)
        except OSError as error:
            self._log.error(PEOPLE_NOT_KEPT, file=str(file.path), trouble=error.strerror or str(error))
            raise

    def _settle(self) -> None:
        """What came to the disk late holds from then on."""
        if self._late is not None and self._late[0].done():
            future, changed = self._late
            self._late = None
            if future.exception() is None:
                self._take(changed)

    def _take(self, changed: Changed) -> None:
        self.accounts, self.invitations = changed.accounts, changed.invitations
        if changed.guests is not None:
            self.guests = changed.guests
        if changed.given is not None:
            self.given = changed.given
        for name in changed.ended:
            self.sessions.end_of(name)


def _not_known(text: str, hint: str) -> NotKnownError:
    error = NotKnownError(text)
    error.hint = hint
    return error


def _not_kept(text: str, hint: str) -> GatewayError:
    error = GatewayError(text)
    error.hint = hint or None
    return error
