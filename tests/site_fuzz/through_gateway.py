"""A random site through the program itself: its site file is loaded, its readings bound, its sheets calculated."""

from datetime import UTC, datetime
from pathlib import Path

from gateway.binding import Source, bind
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.errors import SettingsError
from gateway.records import Inventory, Quality, Reading, Reason, ReasonCode
from gateway.settings.site import load_site
from gateway.settings.tanks.plans import TankSetup
from tests.site_fuzz.states import Said, Shown
from tests.site_fuzz.world.draw_site import SHEETS, Seen, Site, draw_site
from tests.site_fuzz.world.files import write_site

__all__ = ["NOON", "load", "readings_of", "sheets_of", "taken"]

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
_TRIES = 12
_NOON_NS = int(NOON.timestamp()) * 1_000_000_000


def load(site: Site, folder: Path) -> dict[str, TankSetup]:
    """The tanks by tag. Raises SettingsError for a site file that the program refuses."""
    return {setup.plan.tank: setup for setup in load_site(write_site(site, folder), now=NOON).tanks}


def sheets_of(setup: TankSetup, seen: Seen) -> list[Inventory]:
    """One after another, each with the memory of the one before where it follows it."""
    memory, sheets = EMPTY_MEMORY, []
    for moment in seen.moments:
        now_ns, steady_ns, latest = readings_of(setup, moment.shown)
        given = bind(setup.binding, latest, now_ns, steady_ns)
        sheet, memory = calculate(setup.plan, given, memory if moment.follows else EMPTY_MEMORY)
        sheets.append(sheet)
    return sheets


def taken(seed: int, folder: Path, sheets: int = SHEETS) -> tuple[Site, Path]:
    """The site of a seed and its file, or of the next seeds where the program refuses that: `fuzz` judges refusals."""
    refused: SettingsError | None = None
    for each in range(seed, seed + _TRIES):
        site = draw_site(each, sheets)
        path = write_site(site, folder)
        try:
            load_site(path, now=NOON)
        except SettingsError as error:
            refused = error
        else:
            return site, path
    raise AssertionError(f"{_TRIES} sites in a row are refused: {refused}")


def readings_of(setup: TankSetup, shown: Shown) -> tuple[int, int, dict[tuple[str, str], Reading]]:
    """UTC and steady nanoseconds of what is shown, and the newest reading of each signal then."""
    steady_ns = round(shown.time_s * 1e9)
    now_ns = _NOON_NS + steady_ns
    return now_ns, steady_ns, {source.key: _reading(source, said, now_ns) for source, said in _said(setup, shown)}


def _said(setup: TankSetup, shown: Shown) -> list[tuple[Source, Said]]:
    binding = setup.binding
    pairs: list[tuple[Source | None, Said | None]] = [
        (binding.level, shown.level),
        (binding.second_level, shown.second),
        (binding.bottom_pressure, shown.bottom_pa),
        (binding.vapour_pressure, shown.vapour_pa),
        (binding.water, shown.water),
        (binding.ambient, shown.ambient),
        *zip(binding.elements, shown.elements, strict=True),
    ]
    if any((source is None) != (said is None) for source, said in pairs):
        raise AssertionError(f"{binding.tank}: what is fitted and what is read are not the same")
    return [(source, said) for source, said in pairs if source is not None and said is not None]


def _reading(source: Source, said: Said, now_ns: int) -> Reading:
    monotonic_ns = now_ns - _NOON_NS - round(said.age_s * 1e9)
    reason = None if said.why is None else Reason(ReasonCode(said.why), f"{source.name}: {said.why}")
    value = None if said.quality == Quality.BAD else said.value
    return Reading(source.instrument, source.signal, value, Quality(said.quality), reason, 0, monotonic_ns, ())
