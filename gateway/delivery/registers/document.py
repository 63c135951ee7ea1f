"""The register map of a site for whoever connects a control system: every address, as CSV and as Markdown."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from io import StringIO

from gateway.cautions import MONITORING, NOT_FOR_CUSTODY
from gateway.delivery.registers.layout import (
    BLOCK,
    BLOCK_FIELDS,
    HEADER,
    HEADER_FIELDS,
    LAST_BLOCK,
    MAP_VERSION,
    PARTS,
    Field,
    Form,
    base_of,
)
from gateway.delivery.registers.plan import RegistersPlan

__all__ = ["CAUTIONS", "COLUMNS", "map_csv", "map_markdown"]

CAUTIONS = (MONITORING, "Not for control: nothing may open, close, start or stop by what stands here.", NOT_FOR_CUSTODY)
COLUMNS = ("tank", "key", "address", "number", "registers", "form", "order", "unit", "step", "none", "codes", "title")
"""`address` counts from 0, as the protocol does; `number` from 1, as many programs do."""


def map_csv(plan: RegistersPlan) -> str:
    """A row for each field: of the site, then of each tank. The first rows are the cautions: they have no address."""
    out = StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    rows.writerows(["", "caution", *[""] * (len(COLUMNS) - 3), caution] for caution in CAUTIONS)
    rows.writerows(_rows("", HEADER_FIELDS, 0, plan.order))
    for tank, number in sorted(plan.blocks, key=lambda block: block[1]):
        rows.writerows(_rows(tank, BLOCK_FIELDS, base_of(number), plan.order))
    return out.getvalue()


def _rows(tank: str, fields: Iterable[Field], base: int, order: str) -> Iterator[list[str]]:
    for field in fields:
        address, form = base + field.offset, field.form
        yield [
            tank,
            field.key,
            str(address),
            str(address + 1),
            str(form.registers),
            form.word,
            order if form.registers == 2 else "",
            field.unit,
            _step(field),
            "" if field.codes else form.none,
            _codes(field.codes),
            field.title,
        ]


def map_markdown(site: str, plan: RegistersPlan) -> str:
    """For people: what holds for all, where each tank begins, and what stands where in a block."""
    return "\n".join(_markdown(site, plan))


def _markdown(site: str, plan: RegistersPlan) -> Iterator[str]:
    yield f"# Registers of {_cell(site)}"
    yield ""
    for caution in CAUTIONS:
        yield f"> {caution}"
        yield ">"
    yield f"> Map version {MAP_VERSION}, served at {plan.host}:{plan.port}."
    yield ""
    yield from _rules(plan)
    yield ""
    yield "## Where each tank begins"
    yield ""
    yield "| tank | block | first address | first number |"
    yield "|---|---|---|---|"
    for tank, number in sorted(plan.blocks, key=lambda block: block[1]):
        yield f"| {_cell(tank)} | {number} | {base_of(number)} | {base_of(number) + 1} |"
    yield ""
    yield f"## The site: addresses 0 to {HEADER - 1}"
    yield ""
    yield from _table(HEADER_FIELDS)
    for part in PARTS:
        last = part.first + part.size - 1
        yield ""
        yield f"## A tank's block, {part.title}: offsets {part.first} to {last}"
        yield ""
        yield from _table([field for field in BLOCK_FIELDS if part.first <= field.offset <= last])
    yield ""


def _rules(plan: RegistersPlan) -> list[str]:
    first, second, _ = PARTS
    return [
        "- Modbus TCP, read only. Functions 3 and 4 show the same registers; every other function is answered with "
        "exception 1. Unit 0, 1 or 255; another is answered with exception 11.",
        f"- A tank's block begins at its number times {BLOCK}; numbers go to {LAST_BLOCK} and stay when tanks come and "
        "go. An address that is in no block is answered with exception 2.",
        f"- What one request reads of a block (125 registers at most) is of one sheet: read offsets {first.first} to "
        f"{first.size - 1} at once, and those from {second.first} where details are wanted. The number of the sheet "
        "tells whether two requests met the same one.",
        "- Each value stands there as float32 in SI units and as a whole number, which times `step` is the same; "
        "quality and age stand behind it. Take a value only while its quality is 2 (Good), or 1 (Uncertain) where that "
        "is good enough, and `validity` is 1.",
        f"- Bad has no number: float32 is NaN; int16 is {Form.INT16.none}, int32 {Form.INT32.none}. A whole number "
        "that does not fit is the same, whatever the quality. Counts and ages: 65535 is not known, 65534 that or more.",
        "- In codes 0 is never what is well, so that cleared memory is not taken for Good. `map_version` is not 0.",
        f"- Numbers of two registers stand in the order {plan.order} (A the most significant byte, the lower address "
        "first); `test.float` and `test.integer` show whether it is read right.",
        "- `heartbeat` stands still when the gateway makes no sheets, though it still answers. Watch it: when it has "
        "not changed for as long as the slowest tank may take, believe nothing.",
    ]


def _table(fields: Sequence[Field]) -> Iterator[str]:
    yield "| offset | key | form | unit | step | what |"
    yield "|---|---|---|---|---|---|"
    for field in fields:
        codes = _codes(field.codes)
        what = f"{field.title}: {codes}" if codes else field.title
        cells = [str(field.offset), f"`{field.key}`", field.form.word, field.unit, _step(field), what]
        yield f"| {' | '.join(cells)} |"


def _step(field: Field) -> str:
    """Of a whole number that tells a quantity; a count and a code have none, and a float needs none."""
    is_quantity = bool(field.unit) and field.form in (Form.INT16, Form.INT32)
    return f"{field.step:.6f}".rstrip("0").rstrip(".") if is_quantity else ""


def _codes(codes: Mapping[str, int] | None) -> str:
    return "; ".join(f"{number} {word}" for word, number in sorted((codes or {}).items(), key=lambda item: item[1]))


def _cell(text: str) -> str:
    return text.replace("|", r"\|")
