"""The site file is read again when somebody asks: a right one is taken over, a wrong one is refused and all goes on."""

import asyncio
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

import structlog

from gateway.changes import refuse_another_site
from gateway.daemon import Daemon
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.process.running import Claim, Running
from gateway.settings import SiteSettings

__all__ = ["Reloaded", "Reloader"]

RELOADED = "gateway.reloaded"
RELOAD_REFUSED = "gateway.reload_refused"

_LOGGER = structlog.get_logger("gateway.daemon")

Read = tuple[SiteSettings, Running]


class Reloaded(NamedTuple):
    """What has come of it: exit code, lines and hint for whoever asked."""

    code: int
    lines: tuple[str, ...]
    hint: str | None = None


class Reloader:
    """`ask` at any time from the gateway's loop; `run` reads, takes over and answers, one after the other."""

    def __init__(self, file: str, read: Callable[[], Read], claim: Claim, gateway: Daemon) -> None:
        """`read` gives the file as it is now and what the process then says of itself; it may take its time, in a
        thread, and raises SettingsError or UsageError."""
        self._file = file
        self._read = read
        self._claim = claim
        self._gateway = gateway
        self._asked = asyncio.Event()
        self.turn = asyncio.Lock()
        """Whoever reads the file again has it, and whoever puts another in its place."""

    def ask(self) -> None:
        self._asked.set()

    async def run(self) -> None:
        while True:
            await self._asked.wait()
            self._asked.clear()
            begun_ns = time.monotonic_ns()
            async with self.turn:
                told = await self.reload()
                self._gateway.site_file_refused = told.code != 0
            self._claim.answer({"begun_ns": begun_ns, **told._asdict()})

    async def reload(self) -> Reloaded:
        """For whoever has the turn. A file that is refused leaves all as it was."""
        try:
            settings, running = await _in_thread(self._read)
            refuse_another_site(self._gateway.settings, settings, self._file)
            before = self._claim.change(running)
            try:
                changes = await self._gateway.take_over(settings)
            except BaseException:
                self._claim.change(before)
                raise
        except SettingsError as error:
            return self._refused(2, error.mistakes, error.hint)
        except UsageError as error:
            return self._refused(2, (str(error),), error.hint)
        except GatewayError as error:
            return self._refused(1, (str(error),), error.hint)
        except Exception as error:
            _LOGGER.exception(RELOAD_REFUSED, file=self._file)
            text = f"a fault in the program: {type(error).__name__}: {error}"
            return Reloaded(1, (text,), "the log of the gateway tells more")
        self._gateway.site_file_refused = False
        _LOGGER.info(RELOADED, file=self._file, changes=changes.sentences)
        return Reloaded(0, changes.sentences)

    def _refused(self, code: int, lines: tuple[str, ...], hint: str | None) -> Reloaded:
        _LOGGER.error(RELOAD_REFUSED, file=self._file, mistakes=lines, hint=hint)
        return Reloaded(code, lines, hint)


async def _in_thread(read: Callable[[], Read]) -> Read:
    """In a thread that nobody waits for at the end: a file of a dead network drive may hold it up for ever."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[Read] = loop.create_future()

    def settle(result: Read | None, error: Exception | None) -> None:
        if done.done():
            return
        if error is not None:
            done.set_exception(error)
        elif result is not None:
            done.set_result(result)

    def work() -> None:
        result, error = None, None
        try:
            result = read()
        except Exception as exc:  # noqa: BLE001 - told to whoever waits
            error = exc
        with suppress(RuntimeError):  # the loop is closed: nobody waits
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=work, name="site file", daemon=True).start()
    return await done
