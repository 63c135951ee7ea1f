"""Pure: the stock by owner and product, where it has more than one owner."""

from collections.abc import Sequence
from decimal import Decimal

from gateway.reports.report import Cell, Column, Group, Kind, Row, Table
from gateway.reports.totals import total_of

__all__ = ["owners_table"]


def owners_table(
    columns: Sequence[Column], rows: Sequence[Row], counting: Sequence[bool], summed: Sequence[str]
) -> tuple[Table, ...]:
    """Sums of what `rows` show in the columns `summed`; none where all is of one owner."""
    members: dict[tuple[str, str], list[int]] = {}
    for index, row in enumerate(rows):
        key = str(row.cells.get("owner") or ""), str(row.cells.get("product") or "")
        members.setdefault(key, []).append(index)
    if len({owner for owner, _ in members}) < 2:
        return ()
    shown = (
        Column("owner", "Owner", share=1.0),
        Column("product", "Product", share=1.0),
        Column("tanks", "Tanks", Kind.COUNT),
        *(column for column in columns if column.key in summed),
        Column("included", "Included", share=2.0),
    )
    found = []
    for (owner, product), places in sorted(members.items(), key=lambda each: (not each[0][0], each[0])):
        total = total_of("", summed, [rows[place] for place in places], [counting[place] for place in places])
        told: dict[str, list[str]] = {}
        for column in shown:
            if column.key in total.cells:
                told.setdefault(total.cells[column.key].words, []).append(column.title)
        cells: dict[str, Cell] = {
            "owner": owner or "no owner given",
            "product": product,
            "tanks": Decimal(len(places)),
            "included": "; ".join(f"{words} ({', '.join(titles)})" for words, titles in told.items()),
            **{key: cell.value for key, cell in total.cells.items()},
        }
        uncertain = frozenset(key for key, cell in total.cells.items() if cell.is_estimated)
        absent = {key: "no value" for key, cell in total.cells.items() if cell.value is None}
        found.append(Row(cells, uncertain, absent))
    return (Table("By owner", shown, (Group("", tuple(found)),)),)
