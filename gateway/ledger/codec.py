"""Records and events to the bodies of their rows and back: plain form, JSON, zstd with a trained dictionary, or with a
record of the same tank (`forms`).

What stands in columns is not in the body: whose record it is, and which one came before it.
"""

import sys
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import orjson

from gateway.errors import GatewayError
from gateway.ledger.blocks import EVENT
from gateway.plain_form import PlainForm, PlainFormError
from gateway.tank_record import Event, Identity, TankRecord, plain_record, record_from

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

__all__ = [
    "LEVEL",
    "NOBODYS",
    "OF_BODIES",
    "BodyError",
    "Decoder",
    "Dictionary",
    "Encoder",
    "FormBody",
    "FormOf",
    "packed",
    "present_dictionary",
    "unpacked",
    "zstd",
]

_PRESENT = 2
"""The dictionary with which new bodies are made. Another one is another file with the next number."""
LEVEL = 6
_LARGEST = 10_000_000
"""Unpacked. A record of a tank with a hundred elements, all of them doubted, takes some 50 kB."""
_LARGEST_WHOLE = 500_000_000
_OPTIONS: Mapping[int, int] = {
    zstd.CompressionParameter.compression_level: LEVEL,
    # SQLite has no checksums: a bit that has fallen over must not become another level.
    zstd.CompressionParameter.checksum_flag: 1,
    # Its number stands beside the body.
    zstd.CompressionParameter.dict_id_flag: 0,
}
OF_BODIES: Mapping[int, int] = {
    **_OPTIONS,
    # A body is one long match of the dictionary after another: to look for nothing shorter than six bytes, and a step
    # further ahead than the level does, takes hardly longer and leaves a tenth less.
    zstd.CompressionParameter.strategy: zstd.Strategy.lazy2,
    zstd.CompressionParameter.min_match: 6,
    zstd.CompressionParameter.search_log: 4,
}
_LARGEST_DICTIONARY = 1 << 32
"""Numbers of dictionaries; greater ones are those of forms."""
_FORMS_AT_HAND = 1000
FormBody = tuple[int, bytes]
"""Number of the dictionary that it is compressed with, and the form."""
FormOf = Callable[[int], FormBody | None]
"""A form by its number, in the file that the body is from. Raises sqlite3.Error."""
_EVENTS = PlainForm(Event)
NOBODYS = Identity("", "", "", 0)
"""Of a record that was read from its body alone."""
_NOBODYS_PLAIN = NOBODYS._asdict()


class BodyError(GatewayError):
    """A body cannot be read: it is damaged, or of a version that this program does not know."""


class Dictionary(NamedTuple):
    """What bodies are compressed with. A row names it by its number, and the file holds it too."""

    number: int
    body: bytes


@cache
def present_dictionary() -> Dictionary:
    """The one for new bodies, as it comes with the program."""
    return Dictionary(_PRESENT, files("gateway.ledger").joinpath("dictionaries", f"{_PRESENT:04}.zdict").read_bytes())


class Encoder:
    """Makes bodies with one dictionary. For one thread."""

    def __init__(self, dictionary: Dictionary) -> None:
        self.number = dictionary.number
        given = zstd.ZstdDict(dictionary.body)
        # Digested beforehand it would bring the parameters of a level with it.
        self._compressor = zstd.ZstdCompressor(options=OF_BODIES, zstd_dict=given.as_undigested_dict)

    def record_data(self, record: TankRecord) -> bytes:
        """Of a record of history, not yet packed."""
        plain = plain_record(record)
        del plain["identity"]
        return orjson.dumps(plain)

    def record_body(self, record: TankRecord) -> bytes:
        """Of a record of history."""
        return self.packed(self.record_data(record))

    def event_body(self, event: Event) -> bytes:
        """Of an event."""
        return self.packed(orjson.dumps(_EVENTS.to_plain(event)))

    def packed(self, data: bytes) -> bytes:
        """With its dictionary."""
        return self._compressor.compress(data, zstd.ZstdCompressor.FLUSH_FRAME)


def _no_form(_number: int) -> FormBody | None:
    return None


class Decoder:
    """Reads bodies, whichever dictionary they were made with. For any thread."""

    def __init__(self, dictionaries: Iterable[tuple[int, bytes]] = ()) -> None:
        present = present_dictionary()
        self._by_number = {present.number: zstd.ZstdDict(present.body)}
        self._forms: dict[int, zstd.ZstdDict] = {}
        self._forms_before: dict[int, zstd.ZstdDict] = {}
        """Those that were used of late, and before that: a number never means two of them, whatever file it is in."""
        self.learn(dictionaries)

    def learn(self, dictionaries: Iterable[tuple[int, bytes]]) -> None:
        """Those that stand in a file, numbers and bodies: that is what its rows were made with."""
        for number, body in dictionaries:
            # One that is damaged is as good as none: its rows say so, one by one.
            with suppress(ValueError, zstd.ZstdError):
                self._by_number[number] = zstd.ZstdDict(body)

    def __call__(self, kind: int, dictionary: int, body: bytes, form_of: FormOf = _no_form) -> TankRecord | Event:
        """What was kept; a record without its identity (`NOBODYS`), which its row has. Raises BodyError, and what
        `form_of` raises."""
        plain = self.plain(dictionary, body, form_of)
        try:
            if kind == EVENT:
                return _EVENTS.from_plain(plain)
            return record_from({**plain, "identity": _NOBODYS_PLAIN})
        except (PlainFormError, TypeError) as error:
            raise BodyError(f"it is nothing that this version knows: {error}") from error

    def plain(self, dictionary: int, body: bytes, form_of: FormOf = _no_form) -> Any:
        """The plain values of a body, of which not all need to be made into a record. Raises the same."""
        try:
            return orjson.loads(self._data(dictionary, body, form_of))
        except orjson.JSONDecodeError as error:
            raise BodyError("it is damaged: it is no JSON") from error

    def _data(self, dictionary: int, body: bytes, form_of: FormOf) -> bytes:
        if dictionary > _LARGEST_DICTIONARY:
            form = self._forms.get(dictionary) or self._form(dictionary, form_of)
            return _whole(zstd.ZstdDecompressor(zstd_dict=form.as_prefix), body, _LARGEST)
        given = self._by_number.get(dictionary)
        if given is None:
            raise BodyError(f"there is no dictionary {dictionary}")
        return _whole(zstd.ZstdDecompressor(zstd_dict=given), body, _LARGEST)

    def _form(self, number: int, form_of: FormOf) -> zstd.ZstdDict:
        form = self._forms_before.get(number)
        if form is None:
            found = form_of(number)
            if found is None:
                raise BodyError(f"there is no form {number}, which it was made with")
            try:
                form = zstd.ZstdDict(self._data(*found, _no_form), is_raw=True)
            except BodyError as error:
                raise BodyError(f"the form {number}, which it was made with: {error}") from error
        if len(self._forms) >= _FORMS_AT_HAND:
            self._forms_before, self._forms = self._forms, {}
        self._forms[number] = form
        return form


def packed(data: bytes) -> bytes:
    """Something large that stands alone, such as a plan."""
    return zstd.compress(data, options=_OPTIONS)


def unpacked(body: bytes) -> bytes:
    """What was packed. Raises BodyError."""
    return _whole(zstd.ZstdDecompressor(), body, _LARGEST_WHOLE)


def _whole(unpacking: zstd.ZstdDecompressor, body: bytes, largest: int) -> bytes:
    try:
        data = unpacking.decompress(body, largest)
    except zstd.ZstdError as error:
        raise BodyError("it is damaged: it cannot be unpacked") from error
    if not unpacking.eof or unpacking.unused_data:
        raise BodyError("it is damaged: it breaks off, goes on behind its end or is too large")
    return data
