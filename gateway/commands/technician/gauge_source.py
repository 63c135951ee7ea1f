"""The level of one tank by its gauge as it stands now, with the raw words behind it."""

import argparse
from collections.abc import Callable
from datetime import datetime
from typing import Any, NamedTuple

from gateway.acquisition.signals.decode import signal_decoder
from gateway.binding import Source
from gateway.calculation.level.chain import gauge_level
from gateway.calculation.plan import GaugePlan
from gateway.commands.operator.liveness import past
from gateway.commands.operator.running_gateway import fetch_json
from gateway.commands.technician.device import site_device
from gateway.commands.technician.line_guard import gateway_address
from gateway.commands.technician.word_source import WordSource, signal_of, word_source
from gateway.commissioning.dip_record import GaugeReading
from gateway.errors import GatewayError, UsageError
from gateway.payload.writer import INVENTORIES_SCHEMA
from gateway.records import Input, Quality
from gateway.settings.site import SiteSettings
from gateway.settings.tanks.plans import TankSetup

__all__ = ["GaugeNow", "GaugeReader", "gauge_of", "shell_temperature_of"]

_TIMEOUT_S = 5.0


class GaugeNow(NamedTuple):
    """A reading of the gauge."""

    reading: GaugeReading
    raw: tuple[int, ...]
    time: datetime
    words_from: str


class GaugeReader(NamedTuple):
    """What reads the gauge of a tank anew at each call of `read`, with the reference height as it is now."""

    words: WordSource
    read: Callable[[float], GaugeNow]


def gauge_of(arguments: argparse.Namespace, site: SiteSettings, setup: TankSetup) -> GaugeReader:
    """From the gateway that polls it, else from the instrument.

    A level that is calculated from a pressure needs a running gateway. Raises UsageError for a tank without a gauge,
    LineHeldError, DeviceError and GatewayError; so does each call.
    """
    plan = setup.plan
    if setup.binding.level is not None and isinstance(plan.gauge, GaugePlan):
        return _by_gauge(arguments, site, setup, setup.binding.level, plan.gauge)
    if setup.binding.bottom_pressure is not None:
        return _by_pressure(arguments, site, setup, setup.binding.bottom_pressure)
    raise UsageError(f"tank {plan.tank} has no level gauge to compare with", "give it one in the site file")


def _by_gauge(
    arguments: argparse.Namespace, site: SiteSettings, setup: TankSetup, source: Source, gauge: GaugePlan
) -> GaugeReader:
    device = site_device(site, source.instrument)
    assert device.instrument is not None
    signal = signal_of(device.instrument, source.signal)
    words = word_source(arguments, device, signal)

    def read(reference_height_m: float) -> GaugeNow:
        (now,) = words.read(1, 0.0)
        value, quality, reason = signal_decoder(signal)(now.raw)
        figure = gauge_level(Input(value, quality, reason, 0.0, source.name), gauge, reference_height_m)
        text = figure.reasons[0].text if figure.reasons else ""
        return GaugeNow(GaugeReading(figure.value, figure.quality, text), now.raw, now.time, words.text)

    return GaugeReader(words, read)


def _by_pressure(arguments: argparse.Namespace, site: SiteSettings, setup: TankSetup, source: Source) -> GaugeReader:
    tank = setup.plan.tank
    device = site_device(site, source.instrument)
    assert device.instrument is not None
    words = word_source(arguments, device, signal_of(device.instrument, source.signal))
    address = words.gateway or gateway_address(arguments, site)
    try:
        fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    except GatewayError as error:
        failure = GatewayError(f"the level of {tank} is calculated from a pressure, by a running gateway: {error}")
        failure.hint = "start one with `tank-gateway run SITE`"
        raise failure from error

    def read(_: float) -> GaugeNow:
        # A fresh reading first, so that the sheet rests on one no older than the dip.
        (now,) = words.read(1, 0.0)
        document = fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
        for inventory in document["inventories"]:
            if inventory["identity"]["tank"] == tank:
                if why := past(inventory, datetime.fromisoformat(document["time"])):
                    raise GatewayError(f"the gateway at {address} keeps no sheet of {tank} up to date: {why}")
                return GaugeNow(_level_of(inventory), now.raw, now.time, f"{words.text}, level by its sheet")
        raise GatewayError(f"the gateway at {address} has no sheet of {tank} yet")

    return GaugeReader(words, read)


def shell_temperature_of(gateway: str, site: str, tank: str) -> float | None:
    """degC, as the gateway at that web address has it; None where it does not say."""
    try:
        document = fetch_json(gateway, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    except GatewayError:
        return None
    if document["site"] != site:
        return None
    for inventory in document["inventories"]:
        if inventory["identity"]["tank"] == tank:
            value = inventory["figures"]["shell_temperature"]["value"]
            return None if value is None else float(value)
    return None


def _level_of(inventory: dict[str, Any]) -> GaugeReading:
    level = inventory["figures"]["level"]
    reason = level["reason"]["text"] if level["reason"] else ""
    return GaugeReading(level["value"], Quality[str(level["quality"]).upper()], reason)
