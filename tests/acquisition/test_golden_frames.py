"""The example frames that the Modbus specifications print, as bytes on the wire."""

import asyncio
import csv
from pathlib import Path

import pytest

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.modbus_tcp import request_frame
from gateway.errors import DeviceExceptionError
from gateway.modbus.tables import Table
from tests.acquisition.memory_wire import connected
from tests.acquisition.peer import adu

FRAMES = Path(__file__).parent.parent / "golden" / "modbus_frames.csv"

with FRAMES.open(newline="", encoding="utf-8") as file:
    ROWS = list(csv.DictReader(file))


def rows(*kinds: str) -> list[object]:
    return [pytest.param(row, id=row["case"]) for row in ROWS if row["kind"] in kinds]


def test_every_row_names_its_source() -> None:
    assert len(ROWS) == 6
    for row in ROWS:
        assert all(row[column] for column in ("source", "edition", "section", "confidence")), row


@pytest.mark.parametrize("row", rows("pdu", "exception", "adu"))
def test_a_request_is_as_printed(row: dict[str, str]) -> None:
    table, address, count = Table(row["table"]), int(row["address"]), int(row["count"])
    printed = bytes.fromhex(row["request"])
    if row["kind"] == "adu":
        assert request_frame(int(row["transaction"]), int(row["unit"]), table, address, count) == printed
    else:
        assert request_frame(1, 1, table, address, count)[7:] == printed


@pytest.mark.parametrize("row", rows("pdu"))
async def test_a_response_is_understood_as_printed(row: dict[str, str]) -> None:
    assert await answered(row) == tuple(map(int, row["values"].split()))


@pytest.mark.parametrize("row", rows("exception"))
async def test_an_exception_is_understood_as_printed(row: dict[str, str]) -> None:
    with pytest.raises(DeviceExceptionError, match="illegal data address") as caught:
        await answered(row)
    assert caught.value.code == int(row["values"])


async def answered(row: dict[str, str]) -> tuple[int, ...]:
    """Reads what the row asks for from a peer that answers with its printed response."""
    sent: list[bytes] = []
    connection = connected(sent.append, LinkCounters())
    reading = asyncio.create_task(connection.read(1, Table(row["table"]), int(row["address"]), int(row["count"]), 30.0))
    await asyncio.sleep(0)
    assert sent[0][7:] == bytes.fromhex(row["request"])
    connection.data_received(adu(int.from_bytes(sent[0][:2]), 1, bytes.fromhex(row["response"])))
    try:
        return await reading
    finally:
        connection.connection_lost(None)
