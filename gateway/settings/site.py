"""The site file as a whole: read, checked, built. Everything wrong with it is reported at once."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from gateway.account.plan import AccountPlan
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.acquisition.source import SourcePlan
from gateway.calculation.level.hydrostatic import AIR_DENSITY, air_density, normal_gravity
from gateway.clock import utc_now
from gateway.delivery.contract import DeliveryPlan
from gateway.delivery.plan import MqttPlan
from gateway.errors import LimitError, SettingsError
from gateway.ledger.plan import LedgerPlan
from gateway.reports.plan import ReportPlan
from gateway.settings.account.plans import build_account, check_against_ledger
from gateway.settings.deliveries.open_secrets import warn_of_open_keys
from gateway.settings.deliveries.plans import build_deliveries, warn_without_ledger
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.ledger import build_ledger
from gateway.settings.lines.plans import build_lines, declared_names
from gateway.settings.look_alikes import warn_of_look_alikes
from gateway.settings.products.base import CONVENTIONAL
from gateway.settings.products.densities import Densities, ProductDefaults
from gateway.settings.reading.document import Document, KeyPath, Mistakes, dotted, read_document
from gateway.settings.reading.fields import read_name
from gateway.settings.reading.source_files import SourceFiles
from gateway.settings.reading.validation import unknown_key, validate
from gateway.settings.reading.yaml_tree import ListNode, MappingNode, Node
from gateway.settings.reports import build_reports
from gateway.settings.site_models import SiteFile, SiteModel
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.other_product import OtherProducts
from gateway.settings.tanks.plans import TankBuilder, TankSetup
from gateway.settings.tanks.sense_checks import check_sense_of_lines
from gateway.settings.tanks.sources import Sources
from gateway.settings.watch.plans import WatchBuilder
from gateway.settings.web import build_http
from gateway.watch.plan import AlarmPlan
from gateway.web.plan import HttpPlan

__all__ = ["SiteSettings", "dated_entries", "load_site", "site_schema"]

_SECTIONS_OF_NAMES = ("lines", "maps", "instruments", "products", "tanks")
_OF_ITSELF = "gateway"
_STANDARD_GRAVITY = 9.80665
_GRAVITY_ON_EARTH = (9.76, 9.84)


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """A whole site file, checked: what each stage is given."""

    name: str
    description: str
    time_zone: str
    """Key of the IANA time zone data base."""
    simulated: bool
    sources: tuple[SourcePlan, ...]
    tanks: tuple[TankSetup, ...]
    deliveries: tuple[DeliveryPlan, ...]
    ledger: LedgerPlan | None
    http: HttpPlan | None
    gateway_alarms: tuple[AlarmPlan, ...]
    """Of the gateway itself, by their kinds: each is raised for a line, a destination or another subject of its own."""
    warnings: tuple[str, ...]
    """What is not wrong but should be known: one line each, shaped like a mistake."""
    signal_units: Mapping[tuple[str, str], str | None]
    """The SI unit of each (instrument, signal); None for a contact and for a number without a unit."""
    account: AccountPlan
    reports: ReportPlan
    second_person: frozenset[str]
    """The actions that hold only once a second person has approved them."""
    other_products: OtherProducts = field(compare=False, repr=False)
    """Each tank as it would be if it held another product."""
    files: SourceFiles = field(compare=False, repr=False)
    """What it was read from."""

    @property
    def lines(self) -> tuple[LinePlan, ...]:
        """Those of the sources that are Modbus lines."""
        return tuple(source for source in self.sources if isinstance(source, LinePlan))

    @property
    def maps(self) -> dict[str, InstrumentMap]:
        """What the registers of each instrument mean, by its tag."""
        return {each.tag: each.map for line in self.lines for each in line.instruments}

    @property
    def brokers(self) -> tuple[MqttPlan, ...]:
        """Those of the deliveries that are MQTT servers."""
        return tuple(delivery for delivery in self.deliveries if isinstance(delivery, MqttPlan))


def load_site(
    path: str | Path,
    overrides: Mapping[str, str] | None = None,
    now: datetime | None = None,
    files: SourceFiles | None = None,
) -> SiteSettings:
    """Read and check a site file.

    `overrides` replaces values at dotted paths (`lines.bus-a.address`) before anything is checked. `now` decides which
    dated values have expired, for warnings only; the present time when None. `files`: by which it is read.
    Raises SettingsError with every mistake, each `FILE:LINE: dotted.key: what is wrong; what would be right`.
    """
    document, found = read_document(Path(path), overrides or {}, files=files)
    mistakes = Mistakes(document)
    mistakes.foreign(found)
    _check_top(document, mistakes)
    warnings: list[str] = []
    site = _check_site(document, mistakes)
    manual = ManualValues(document, mistakes, warnings, now or utc_now())
    lines = build_lines(document, mistakes)
    check_sense_of_lines(lines, document, mistakes, manual)
    warn_of_open_keys(lines.lines, manual)
    warn_of_look_alikes(document, manual)
    densities = Densities(document, mistakes, manual, _product_defaults(site))

    def builder_of(tree: Document, wrong: Mistakes, by_hand: ManualValues) -> TankBuilder:
        """Of the tanks of a tree that has the products of this one."""
        return TankBuilder(
            tree,
            wrong,
            Sources(lines, wrong),
            by_hand,
            densities if tree is document else densities.of_the_same_products(tree, wrong, by_hand),
            watch if tree is document else WatchBuilder(tree, wrong, by_hand),
            # Where the site block itself is wrong, its gravity is not missed a second time.
            gravity=_STANDARD_GRAVITY if site is None else _gravity(site),
            air_density=_air_density(site),
            simulated=site is not None and site.simulated,
        )

    watch = WatchBuilder(document, mistakes, manual)
    builder = builder_of(document, mistakes, manual)
    tanks: list[TankSetup] = []
    for tag in declared_names(document, "tanks"):
        checked = validate(TankModel, document, ("tanks", tag), mistakes)
        tank = None if checked is None else builder.build(tag, checked)
        if tank is not None:
            tanks.append(tank)
    deliveries = build_deliveries(document, mistakes, manual)
    ledger = build_ledger(Reading(document, mistakes, manual))
    if ledger is None:
        warn_without_ledger(document, manual)
    http = build_http(Reading(document, mistakes, manual))
    account = build_account(
        document,
        mistakes,
        "UTC" if site is None else site.time_zone,
        simulated=site is not None and site.simulated,
        windows_s=[tank.watch.course.window_s for tank in tanks],
    )
    check_against_ledger(account, ledger, Reading(document, mistakes, manual))
    reports = build_reports(Reading(document, mistakes, manual))
    if mistakes.count or site is None:
        raise SettingsError(mistakes.lines())
    return SiteSettings(
        site.name,
        site.description or "",
        site.time_zone,
        site.simulated,
        lines.lines,
        tuple(tanks),
        deliveries,
        ledger,
        http,
        watch.gateway_alarms(),
        tuple(warnings),
        {
            (tag, signal): None if dimension is None else dimension.si_unit
            for tag, built in lines.instruments.items()
            for signal, dimension in built.registers.dimensions.items()
        },
        account,
        reports,
        frozenset(each.value for each in site.second_person),
        OtherProducts(document, {tank.plan.tank: tank for tank in tanks}, builder_of, tuple(warnings)),
        document.files,
    )


def site_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the site file."""
    schema = SiteFile.model_json_schema()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Site file of tank-gateway",
    }


def dated_entries(path: str | Path) -> tuple[str, ...]:
    """Dotted path of every `entered` in a site file: what the demo overrides so that its samples are fresh."""
    document, _ = read_document(Path(path), {})
    return tuple(dotted(found) for found in _paths_ending(document.root, "entered", ()))


def _paths_ending(node: Node, name: str, path: KeyPath) -> list[KeyPath]:
    if isinstance(node, MappingNode):
        found: list[KeyPath] = [(*path, name)] if name in node.items else []
        return found + [deep for key, child in node.items.items() for deep in _paths_ending(child, name, (*path, key))]
    if isinstance(node, ListNode):
        return [deep for index, child in enumerate(node.items) for deep in _paths_ending(child, name, (*path, index))]
    return []


def _check_top(document: Document, mistakes: Mistakes) -> None:
    known = list(SiteFile.model_fields)
    for key in document.root.items:
        if key not in known:
            mistakes.add((key,), unknown_key(key, known))
    for section in _SECTIONS_OF_NAMES:
        node = document.node((section,))
        if node is None:
            continue
        if not isinstance(node, MappingNode) or not node.items:
            mistakes.add((section,), f"holds no names; give each of the {section} as a name with its keys")
            continue
        for name in node.items:
            try:
                read_name(name)
            except ValueError as error:
                mistakes.add((section, name), str(error))
    tanks = document.node(("tanks",))
    if isinstance(tanks, MappingNode) and _OF_ITSELF in tanks.items:
        text = "is what the gateway calls itself in topics, where its events and those of this tank would be one stream"
        mistakes.add(("tanks", _OF_ITSELF), f"{text}; write for example TK-1")
    if document.node(("tanks",)) is None:
        mistakes.add(("tanks",), "is missing; give at least one tank")


def _check_site(document: Document, mistakes: Mistakes) -> SiteModel | None:
    path: KeyPath = ("site",)
    if document.node(path) is None:
        mistakes.add(path, "is missing; give name and time_zone")
        return None
    checked = validate(SiteModel, document, path, mistakes)
    if checked is None:
        return None
    site, dropped = checked
    if "time_zone" not in dropped and site.time_zone not in available_timezones():
        text = f"'{site.time_zone}' is not a time zone; {_zone_like(site.time_zone)}"
        mistakes.add((*path, "time_zone"), text)
    _check_latitude(site, document, mistakes)
    lowest, highest = _GRAVITY_ON_EARTH
    if site.gravity is not None and not lowest <= site.gravity <= highest:
        written = document.text((*path, "gravity"))
        mistakes.add((*path, "gravity"), f"{written} is not found on Earth; give {lowest} to {highest} m/s2")
    return None if dropped else site


def _check_latitude(site: SiteModel, document: Document, mistakes: Mistakes) -> None:
    if site.latitude is None:
        if site.altitude is not None:
            mistakes.add(("site", "altitude"), "goes with latitude; leave it out, or give both in place of gravity")
        return
    if site.gravity is not None:
        mistakes.add(("site", "latitude"), "gravity is given already; give one of the two")
        return
    try:
        normal_gravity(math.degrees(site.latitude), site.altitude or 0.0)
    except LimitError as error:
        key = "latitude" if error.quantity == "latitude" else "altitude"
        limits = "-90 to 90 deg" if key == "latitude" else "-500 to 9000 m"
        written = document.text(("site", key))
        mistakes.add(("site", key), f"{written} is not found on Earth; give {limits}")


def _gravity(site: SiteModel) -> float | None:
    """As given, or normal gravity at the site's latitude and altitude."""
    if site.latitude is None:
        return site.gravity
    try:
        return normal_gravity(math.degrees(site.latitude), site.altitude or 0.0)
    except LimitError:
        return _STANDARD_GRAVITY


def _air_density(site: SiteModel | None) -> float:
    """Of the air at the site's altitude, at sea level where it gives none."""
    try:
        return air_density(0.0 if site is None or site.altitude is None else site.altitude)
    except LimitError:
        return AIR_DENSITY


def _product_defaults(site: SiteModel | None) -> ProductDefaults:
    if site is None:
        return ProductDefaults()
    buoyancy = CONVENTIONAL if site.weight_in_air is None else site.weight_in_air.plan()
    return ProductDefaults(site.rounding, buoyancy)


def _zone_like(name: str) -> str:
    close = get_close_matches(name, available_timezones(), n=1)
    return f"did you mean '{close[0]}'?" if close else "write for example Europe/London"
