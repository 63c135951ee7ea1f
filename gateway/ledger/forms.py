"""Forms: a record of a tank with which those after it are compressed. They take two thirds of what they take with a
dictionary that has to do for all tanks, and no longer to be made.

A form stands in the file by the commit of the first record that needs it. It is made anew when what it has cost by no
longer being like its tank is many times what a new one takes, and now and then in any case: with a form that is damaged
go the records that were made with it.
"""

import hashlib
import sqlite3
from typing import NamedTuple

from gateway.ledger.codec import OF_BODIES, Encoder, FormBody, zstd
from gateway.tank_record import TankRecord

__all__ = ["Form", "FormedEncoder", "Packed", "forget_forms", "form_in"]

_FIRST = 3
"""Records of a tank from which on it has a form: a process that ends at once leaves none."""
_LARGEST_BYTES = 65_536
"""Of a record that becomes a form: it has to be gone through for each that follows."""
_LEARNT = 8
"""Records by which it is known what those of a form usually take."""
_WORTH = 8
"""What is spent on new forms is at most so small a part of what would be lost without."""
_LONGEST = 2000
"""Records: five and a half hours of one each 10 s."""
_NUMBER_BITS = 62


class Form(NamedTuple):
    """As it stands in the file."""

    number: int
    dictionary: int
    body: bytes
    """Compressed with that dictionary."""


class Packed(NamedTuple):
    """A record as it goes into its row."""

    dictionary: int
    body: bytes
    form: Form | None
    """Of that number, where it is one."""


class _OfTank:
    __slots__ = ("beyond", "dictionary", "form", "records", "used", "usual")

    def __init__(self) -> None:
        self.records = 0
        self.form: Form | None = None
        self.dictionary: zstd.ZstdDict | None = None
        self.used = self.usual = self.beyond = 0
        """Records that were made with the form, what each of the first took, and what all others took beyond that."""


class FormedEncoder:
    """Makes bodies of records, each with the form of its tank. For one thread."""

    def __init__(self, encoder: Encoder) -> None:
        self._encoder = encoder
        self._tanks: dict[str, _OfTank] = {}

    def record(self, record: TankRecord) -> Packed:
        """For its row."""
        encoder = self._encoder
        data = encoder.record_data(record)
        tank = self._tanks.get(record.identity.tank)
        if tank is None:
            tank = self._tanks[record.identity.tank] = _OfTank()
        tank.records += 1
        if tank.dictionary is None:
            if tank.records < _FIRST or len(data) > _LARGEST_BYTES:
                return Packed(encoder.number, encoder.packed(data), None)
            tank.form = Form(_number(data), encoder.number, encoder.packed(data))
            tank.dictionary = zstd.ZstdDict(data, is_raw=True)
            tank.used = tank.usual = tank.beyond = 0
        form = tank.form
        assert form is not None
        body = zstd.compress(data, options=OF_BODIES, zstd_dict=tank.dictionary.as_prefix)
        self._weigh(tank, form, len(body))
        return Packed(form.number, body, form)

    def _weigh(self, tank: _OfTank, form: Form, size: int) -> None:
        """Whether another form would be worth it. The first is the form itself, and no measure of anything."""
        if 0 < tank.used <= _LEARNT:
            tank.usual += size
        elif tank.used:
            tank.beyond += max(0, size - tank.usual // _LEARNT)
        tank.used += 1
        if tank.beyond > _WORTH * len(form.body) or tank.used >= _LONGEST:
            tank.form = tank.dictionary = None


def form_in(connection: sqlite3.Connection, number: int) -> FormBody | None:
    """As it stands in a file; None: it does not. Raises sqlite3.Error."""
    found = connection.execute("SELECT dictionary, body FROM forms WHERE number = ?", (number,)).fetchone()
    return None if found is None else (found[0], found[1])


def forget_forms(connection: sqlite3.Connection, oldest: int) -> None:
    """Those that nothing from that position on was made with: their tank has a newer one at or before it."""
    connection.execute(
        "DELETE FROM forms WHERE since < "
        "(SELECT max(since) FROM forms AS later WHERE later.tank = forms.tank AND later.since <= ?)",
        (oldest,),
    )


def _number(data: bytes) -> int:
    """Never that of a dictionary, and hardly ever that of another form: the checksum of a body would tell."""
    return 1 << _NUMBER_BITS | int.from_bytes(hashlib.sha256(data).digest()[:8]) >> (64 - _NUMBER_BITS)
