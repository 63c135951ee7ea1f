"""The words of one signal as they stand now: from the instrument itself, or from the gateway that polls it.

A tool that would make a second master of itself takes the running gateway's newest words instead.
"""

import argparse
import asyncio
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import NamedTuple, Protocol

from gateway.acquisition.links.link import DOUBT_CODES, doubt_of
from gateway.acquisition.plan import InstrumentPlan
from gateway.acquisition.signals.register_map import Signal
from gateway.commands.operator.running_gateway import fetch_json
from gateway.commands.technician.device import Device, asking, run, timeout_of
from gateway.commands.technician.line_guard import gateway_address, held_by, require_own
from gateway.errors import GatewayError, UsageError
from gateway.payload.readings import READINGS_SCHEMA

__all__ = ["SignalWords", "WordSource", "signal_of", "word_source"]

_TIMEOUT_S = 5.0
_LOOK_EVERY_S = 0.1


class SignalWords(NamedTuple):
    """What stood on the wire, and when it was read there (UTC)."""

    raw: tuple[int, ...]
    time: datetime


class WordSource(Protocol):
    @property
    def text(self) -> str:
        """Where the words come from, for the record."""
        ...

    @property
    def gateway(self) -> str | None:
        """Web address of the gateway that they come from; None where they come from the instrument itself."""
        ...

    def read(self, count: int, every_s: float) -> list[SignalWords]:
        """So many reads from now on, no two sooner than `every_s` after one another. Raises GatewayError."""
        ...


def signal_of(instrument: InstrumentPlan, name: str) -> Signal:
    """Raises UsageError naming the signals that there are."""
    for signal in instrument.map.signals:
        if signal.name == name:
            return signal
    names = ", ".join(signal.name for signal in instrument.map.signals)
    raise UsageError(f"instrument {instrument.tag} has no signal '{name}'", f"its signals: {names}")


def word_source(arguments: argparse.Namespace, device: Device, signal: Signal) -> WordSource:
    """The gateway where one holds the line (unless --line-is-mine), else the instrument. Raises LineHeldError."""
    if not arguments.line_is_mine:
        held = held_by(gateway_address(arguments, device.site), device.address)
        if held is not None:
            assert device.instrument is not None
            require_own(held, device.address, device.site)
            return _FromGateway(held.gateway, device.instrument, signal)
    return _FromInstrument(device, signal, timeout_of(arguments, device))


class _FromInstrument:
    def __init__(self, device: Device, signal: Signal, timeout_s: float) -> None:
        self._device = device
        self._signal = signal
        self._timeout_s = timeout_s

    @property
    def text(self) -> str:
        return self._device.text

    @property
    def gateway(self) -> str | None:
        return None

    def read(self, count: int, every_s: float) -> list[SignalWords]:
        found: list[SignalWords] = []

        async def work() -> int:
            device, signal = self._device, self._signal
            async with asking(device.path, device.text, self._timeout_s) as asker:
                for number in range(count):
                    if number:
                        await asyncio.sleep(every_s)
                    raw = await asker.read(device.unit, signal.table, signal.address, signal.registers)
                    if doubt := doubt_of(raw):
                        raise _doubted(f"{device.text}: {doubt}")
                    found.append(SignalWords(raw, datetime.now(UTC)))
            return 0

        run(work)
        return found


class _FromGateway:
    def __init__(
        self,
        gateway: str,
        instrument: InstrumentPlan,
        signal: Signal,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._gateway = gateway
        self._instrument = instrument
        self._signal = signal
        self._now = now

    @property
    def gateway(self) -> str | None:
        return self._gateway

    @property
    def text(self) -> str:
        return f"{self._instrument.tag} by the gateway at {self._gateway}"

    def read(self, count: int, every_s: float) -> list[SignalWords]:
        """Waits for readings that the gateway makes from now on, three polling periods for each at the longest."""
        found: list[SignalWords] = []
        # The gateway's times are cut to milliseconds.
        last = self._now().replace(microsecond=0)
        patience_s = 3.0 * self._instrument.period_s + self._instrument.timeout_s + every_s
        while len(found) < count:
            deadline = time.monotonic() + patience_s
            while True:
                words, doubt = self._newest()
                if words is not None and words.time > last and not doubt:
                    break
                if time.monotonic() > deadline:
                    if doubt:
                        raise _doubted(f"{self.text}: {doubt}")
                    raise GatewayError(
                        f"{self.text}: no new reading of {self._signal.name} within {patience_s:.0f} s; "
                        "see `tank-gateway show`"
                    )
                time.sleep(_LOOK_EVERY_S)
            found.append(words)
            last = words.time
            if len(found) < count:
                time.sleep(every_s)
        return found

    def _newest(self) -> tuple[SignalWords | None, str]:
        """The words, and why they may be another request's answer."""
        document = fetch_json(self._gateway, "/readings", READINGS_SCHEMA, _TIMEOUT_S)
        for reading in document["readings"]:
            if (reading["instrument"], reading["signal"]) == (self._instrument.tag, self._signal.name):
                raw, reason = tuple(reading["raw"]), reading["reason"]
                doubt = reason["text"] if reason is not None and reason["code"] in DOUBT_CODES else ""
                return SignalWords(raw, datetime.fromisoformat(reading["time"])) if raw else None, doubt
        return None, ""


def _doubted(text: str) -> GatewayError:
    """A record rests on words that are surely this instrument's."""
    error = GatewayError(f"{text}; nothing is recorded")
    error.hint = "try again; if it stays so, `tank-gateway line-report` tells how the line is doing"
    return error
