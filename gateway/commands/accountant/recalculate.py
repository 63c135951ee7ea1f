"""`recalculate`: the recorded history of one tank made again, with a corrected density, temperature, water or table.

The records stay as they are: what comes out is a new version beside them, in a file of its own.
"""

import argparse
import getpass
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

from gateway.binding import TankBinding, bind
from gateway.calculation.history.recalculation import Version, corrected, recalculate
from gateway.calculation.history.recorded import RecordedInput, rebuilt, recorded_plan
from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import ends_against_limits
from gateway.commands.accountant.recalculate_records import Record, RecordFile
from gateway.commands.accountant.recalculate_summary import Summary
from gateway.commands.new_file import write_new_file
from gateway.commands.operator.density_option import add_density, known_density, typed_density
from gateway.commands.operator.hand_value import hand_value
from gateway.commands.output import write, write_json
from gateway.commands.service.site_argument import add_site, load, tank_of
from gateway.commands.surveyor.table_file import read_table
from gateway.display import printable
from gateway.errors import LimitError, SettingsError, UsageError
from gateway.payload.plain import iso_time
from gateway.payload.writer import INVENTORY_VERSION_SCHEMA, inventory_document
from gateway.records import Inventory, TankInput
from gateway.settings.site import SiteSettings
from gateway.settings.tanks.plans import TankSetup
from gateway.units.quantity import Dimension

__all__ = ["CAUTIONS", "add_arguments", "execute"]

CAUTIONS = (
    "Quantities follow the methods named; not certified by API/ISO.",
    "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).",
    "A recalculation is a new version: keep the records it was made from, and give the site file that was valid then.",
)

_EPILOG = """Records are lines of JSON as an MQTT subscriber or /inventories gives them, or an earlier recalculation.
Not in a record, so not made again: the readings of instruments that were Bad, and the judgements of rates, ages and
gauges against time, which stay as recorded. Filter the file to the time that a correction is for.
Example: tank-gateway recalculate site.yaml TK-101 --records tk-101.jsonl --density "840.5 kg/m3"
  --reason "sample of 3 March was mistyped" --out tk-101-version-1.jsonl"""
_HEIGHTS_AGREE_M = 1e-6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_site(parser)
    parser.add_argument("tank", metavar="TANK", help="tag of the tank in the site file")
    parser.add_argument("--records", metavar="FILE", required=True, help="inventories, one message a line")
    parser.add_argument("--out", metavar="FILE", required=True, help="the new version; it must not exist yet")
    add_density(parser)
    parser.add_argument("--temperature", metavar="QUANTITY", help="of the liquid, in place of what was measured")
    parser.add_argument("--water", metavar="QUANTITY", help="free-water level in place of what was measured, or `none`")
    parser.add_argument("--table", metavar="FILE", help="capacity table (CSV) in place of the one in use")
    parser.add_argument("--reason", metavar="TEXT", help="why; needed with any correction")
    parser.add_argument("--by", metavar="NAME", help="who; default: the name of the login")
    parser.add_argument("--json", action="store_true", help="print the summary for a program, in SI")


def execute(arguments: argparse.Namespace) -> int:
    settings = load(arguments.site)
    setup = tank_of(settings, arguments.tank)
    corrections = _Corrections(setup.plan, arguments)
    version = Version(
        number=0,
        reason=corrections.reason,
        who=_who(arguments.by),
        made_at=datetime.now(UTC),
        changed=corrections.changed,
        plan=f"{corrections.plan.capacity.clause}; {corrections.plan.product.method.clause}",
    )
    file = RecordFile(Path(arguments.records), settings.name, setup.plan.tank)
    summary = Summary()
    lines = _lines(file, settings, setup, corrections, version, summary)
    write_new_file(Path(arguments.out), lines, "no version is replaced")
    if arguments.json:
        write_json(
            {
                "out": arguments.out,
                "version": {**_version(version._replace(number=summary.version))},
                **summary.document(),
                "repeated": file.repeated,
                "of_others": file.of_others,
                "superseded": file.superseded,
                "last_line_cut": file.cut,
                "cautions": list(CAUTIONS),
            }
        )
    else:
        write(
            printable(f"{setup.plan.tank}: version {summary.version}, {version.reason}, by {version.who}"),
            *(printable(f"  {text}") for text in version.changed),
            *summary.lines(),
        )
        passed = [
            text
            for count, text in (
                (file.repeated, f"{file.repeated:,} repeated records left out"),
                (file.superseded, f"{file.superseded:,} records left out of which the file holds a later version"),
                (file.cut, "the last line was cut off, as of a file that is still being written, and is left out"),
                (file.of_others, f"{file.of_others:,} messages of other tanks or kinds passed over"),
            )
            if count
        ]
        write(*passed, f"wrote {printable(arguments.out)}", "", *(f"Caution: {caution}" for caution in CAUTIONS))
    return 0


class _Corrections:
    """What was typed, ready for the calculation."""

    def __init__(self, plan: TankPlan, arguments: argparse.Namespace) -> None:
        """Raises UsageError for what the tank or its product has no use for, SettingsError for a table."""
        changed: list[str] = []
        typed = typed_density(arguments)
        self.density = None if typed is None else known_density(plan.product, typed)
        if self.density is not None:
            changed.append(f"density at reference temperature: {self.density.value:.7g} kg/m3")
            if plan.measured_density is not None and plan.measured_density.in_use:
                plan = replace(plan, measured_density=replace(plan.measured_density, in_use=False))
                changed.append("the measured density is compared with it, and no longer in use")
        self.temperature_c = _typed(
            "temperature", "manual_temperature", arguments.temperature, Dimension.TEMPERATURE, plan
        )
        if self.temperature_c is not None:
            changed.append(f"liquid temperature: {self.temperature_c:.7g} degC")
        self.no_water = arguments.water is not None and arguments.water.strip().lower() == "none"
        typed_water = None if self.no_water else arguments.water
        self.water_m = _typed("water", "dip_water", typed_water, Dimension.LENGTH, plan)
        if self.water_m is not None or self.no_water:
            if plan.free_water is FreeWaterSource.NONE:
                raise UsageError(
                    f"--water: {plan.tank} is declared without free water", "change free_water in the site file"
                )
            changed.append("no free water" if self.water_m is None else f"free-water level: {self.water_m:.4f} m")
        if arguments.table is not None:
            table = read_table(arguments.table)
            plan = _with_table(plan, table)
            changed.append(table.clause)
        moved = self.temperature_c is not None or arguments.table is not None
        by_ullage = isinstance(plan.gauge, GaugePlan) and plan.gauge.kind is GaugeKind.ULLAGE
        if moved and by_ullage and plan.shell is not None:
            changed.append("the level stays as recorded: how the shell moves the reference point is not made again")
        if changed and not arguments.reason:
            raise UsageError("a correction needs a reason", "--reason 'sample of 3 March was mistyped'")
        self.changed = tuple(changed)
        self.reason = " ".join((arguments.reason or "recalculated as recorded").split())
        self.plan = recorded_plan(plan)

    def applied(self, inputs: Iterable[RecordedInput]) -> Iterable[RecordedInput]:
        if not self.changed:
            return inputs
        return corrected(
            inputs,
            self.reason,
            reference_density=None if self.density is None else self.density.value,
            density_doubt=None if self.density is None else self.density.doubt,
            temperature_c=self.temperature_c,
            water_m=self.water_m,
            no_water=self.no_water,
        )


def _typed(option: str, field: str, text: str | None, dimension: Dimension, plan: TankPlan) -> float | None:
    return None if text is None else hand_value(option, field, text, dimension, plan.reference_height_m)


def _with_table(plan: TankPlan, table: CapacityTable) -> TankPlan:
    """`plan` by the table and by what it says of roof, liquid head and its temperature. Raises SettingsError where it
    cannot be this tank's."""
    outside = [each.text for each in ends_against_limits(table, plan.limits, plan.reference_height_m) if each.refuse]
    if outside:
        raise SettingsError(tuple(f"--table: {text}" for text in outside))
    roof, head = plan.roof, plan.liquid_head
    if roof is not None and table.roof_included is not None:
        roof = replace(roof, table_density_kg_m3=table.roof_density_kg_m3)
    if head is not None and table.head_included is not None:
        head = replace(head, table_density_kg_m3=table.head_density_kg_m3)
    shell = plan.shell
    if shell is not None and table.temperature_c is not None:
        shell = replace(shell, table_temperature_c=table.temperature_c)
    try:
        return replace(plan, capacity=table, roof=roof, liquid_head=head, shell=shell)
    except LimitError as error:
        raise SettingsError((f"--table: {error}",)) from error


def _who(given: str | None) -> str:
    if given:
        return " ".join(given.split())
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        # A container may run under a number that has no name.
        return "not stated"


def _lines(
    file: RecordFile,
    settings: SiteSettings,
    setup: TankSetup,
    corrections: _Corrections,
    version: Version,
    summary: Summary,
) -> Iterator[bytes]:
    standing = _standing(setup.binding, settings.simulated)
    records: list[Record] = []
    # A run makes one version, the next after all that the file holds.
    number = file.look_through() + 1

    def inputs() -> Iterator[RecordedInput]:
        for record in file:
            _must_fit(file, record, setup.plan)
            records.append(record)
            yield rebuilt(corrections.plan, record.inventory, _at(standing, record.inventory.instant))

    found = recalculate(corrections.plan, _noted(corrections.applied(inputs()), summary))
    for inventory in found:
        # One record is read, calculated and written at a time, so that a year needs no more memory than a minute.
        record = records.pop()
        summary.add(record.inventory, inventory, number)
        yield _line(record, inventory, version._replace(number=number))
    if not summary.records:
        raise SettingsError((f"{file.path}: holds no inventory of {setup.plan.tank} at site {settings.name}",))


def _noted(inputs: Iterable[RecordedInput], summary: Summary) -> Iterator[RecordedInput]:
    for each in inputs:
        summary.note(each.lacking)
        yield each


def _standing(binding: TankBinding, simulated: bool) -> TankBinding:
    """The values of the site file that no instrument gives."""
    return TankBinding(
        tank=binding.tank,
        reference_density=binding.reference_density,
        observed_density=binding.observed_density,
        simulated=simulated,
    )


def _at(standing: TankBinding, instant: datetime) -> TankInput | None:
    if standing.reference_density is None and standing.observed_density is None:
        return None
    return bind(standing, {}, round(instant.timestamp() * 1e9), 0)


def _must_fit(file: RecordFile, record: Record, plan: TankPlan) -> None:
    """Refuse a record that another site file made: its figures would change for a reason that nobody stated."""
    inventory = record.inventory
    if inventory.product != plan.product.name:
        raise SettingsError(
            (
                f"{file.path}:{record.line}: product '{inventory.product}', where the site file has "
                f"'{plan.product.name}'; give the site file that was valid then",
            )
        )
    recorded = [use.height_m for use in inventory.elements]
    planned = [element.height_m for element in plan.temperature.elements]
    if recorded and (
        len(recorded) != len(planned)
        or any(abs(a - b) > _HEIGHTS_AGREE_M for a, b in zip(recorded, planned, strict=True))
    ):
        raise SettingsError(
            (
                f"{file.path}:{record.line}: temperature elements at {_heights(recorded)}, where the site file has "
                f"{_heights(planned)}; give the site file that was valid then",
            )
        )


def _heights(heights_m: list[float]) -> str:
    return ", ".join(f"{height:.4g}" for height in heights_m) + " m" if heights_m else "none"


def _line(record: Record, inventory: Inventory, version: Version) -> bytes:
    payload = inventory_document(record.identity, inventory, record.valid_for_s)
    payload["schema"] = INVENTORY_VERSION_SCHEMA
    payload["version"] = _version(version)
    return orjson.dumps(payload) + b"\n"


def _version(version: Version) -> dict[str, Any]:
    return {
        "number": version.number,
        "reason": version.reason,
        "who": version.who,
        "made_at": iso_time(version.made_at),
        "changed": list(version.changed),
        "plan": version.plan,
    }
