"""Bodies: any record and event comes back digit by digit, and whatever is altered is refused."""

import random

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.ledger.blocks import EVENT, RECORD
from gateway.ledger.codec import (
    LEVEL,
    NOBODYS,
    BodyError,
    Decoder,
    Dictionary,
    Encoder,
    packed,
    present_dictionary,
    unpacked,
    zstd,
)
from gateway.tank_record import Event, plain_record
from tests.support.ledger_store import BOOTS, happened, level_record
from tests.support.of_types import values_of
from tests.test_tank_record import records_of

ENCODER = Encoder(present_dictionary())
DECODER = Decoder()
RECORD_BODY = ENCODER.record_body(level_record("TK-1", BOOTS[0], 1, 0.0))


@pytest.mark.parametrize("seed", [4_000_000, 4_000_020])
def test_the_records_of_a_random_site_come_back_without_their_identity(seed: int) -> None:
    for _, record in records_of(seed):
        assert DECODER(RECORD, ENCODER.number, ENCODER.record_body(record)) == record._replace(identity=NOBODYS)


def test_bodies_are_smaller_than_a_level_alone_makes_them() -> None:
    """By a tenth; the same dictionary, and any reader of zstd reads both."""
    plain = zstd.ZstdDict(present_dictionary().body)
    ours = of_level = 0
    for _, record in records_of(4_000_000):
        body = ENCODER.record_body(record)
        text = zstd.decompress(body, zstd_dict=plain)
        ours += len(body)
        of_level += len(zstd.compress(text, level=LEVEL, zstd_dict=plain))
    assert ours < 0.95 * of_level


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_any_event_comes_back(data: st.DataObject) -> None:
    event = data.draw(values_of(Event))
    assert DECODER(EVENT, ENCODER.number, ENCODER.event_body(event)) == event


def test_a_body_does_not_depend_on_those_before_it() -> None:
    again = Encoder(present_dictionary())
    for _ in range(3):
        assert again.record_body(level_record("TK-1", BOOTS[0], 1, 0.0)) == RECORD_BODY


def test_whatever_is_altered_or_breaks_off_is_refused() -> None:
    """SQLite would give back another byte as if it had always been there."""
    for cut in range(len(RECORD_BODY)):
        with pytest.raises(BodyError, match="it is damaged"):
            DECODER(RECORD, ENCODER.number, RECORD_BODY[:cut])
    source = random.Random(1)
    record = DECODER(RECORD, ENCODER.number, RECORD_BODY)
    for place in range(len(RECORD_BODY)):
        altered = bytearray(RECORD_BODY)
        altered[place] ^= 1 << source.randrange(8)
        try:
            assert DECODER(RECORD, ENCODER.number, bytes(altered)) == record, "a bit of the head that means nothing"
        except BodyError:
            continue


def test_what_goes_on_behind_its_end_is_refused() -> None:
    with pytest.raises(BodyError, match="goes on behind its end"):
        DECODER(RECORD, ENCODER.number, RECORD_BODY + b"\0")


def test_a_body_of_another_dictionary_is_read_by_the_one_that_the_file_holds() -> None:
    bodies = [orjson.dumps(plain_record(level_record(f"TK-{index}", BOOTS[0], index, 10.0))) for index in range(300)]
    other = Dictionary(7, zstd.train_dict(bodies, 2000).dict_content)
    body = Encoder(other).record_body(level_record("TK-1", BOOTS[0], 1, 0.0))
    with pytest.raises(BodyError, match="there is no dictionary 7"):
        DECODER(RECORD, 7, body)
    decoder = Decoder([other, (8, b"damaged")])
    assert decoder(RECORD, 7, body) == DECODER(RECORD, ENCODER.number, RECORD_BODY)


def test_what_is_of_another_version_is_refused_with_its_place() -> None:
    plain = DECODER.plain(ENCODER.number, RECORD_BODY)
    plain["inventory"]["figures"]["level"]["colour"] = "red"
    body = Encoder(present_dictionary()).packed(orjson.dumps(plain))
    with pytest.raises(BodyError, match=r"inventory\.figures\.level\.colour is not a field of Figure"):
        DECODER(RECORD, ENCODER.number, body)
    with pytest.raises(BodyError, match="it is nothing that this version knows"):
        DECODER(EVENT, ENCODER.number, RECORD_BODY)
    with pytest.raises(BodyError, match="it is no JSON"):
        DECODER(EVENT, ENCODER.number, ENCODER._compressor.compress(b"{", ENCODER._compressor.FLUSH_FRAME))


def test_what_is_large_and_stands_alone_comes_back_or_is_refused() -> None:
    data = orjson.dumps([happened(1.0).subject] * 10_000)
    body = packed(data)
    assert unpacked(body) == data
    for altered in (b"", body[:-1], body + b"\0", body[:20] + b"\xff" + body[21:]):
        with pytest.raises(BodyError):
            unpacked(altered)
