"""Parcels that are packed once, each by itself, and put together as anybody needs them."""

import gzip
import zlib

from hypothesis import given
from hypothesis import strategies as st

from gateway.web.stream.parcel import GZIP_HEADER, Packer, Parcel, gzipped

_texts = st.lists(
    st.binary(max_size=200) | st.builds(lambda text, times: text * times, st.binary(), st.integers(0, 400))
)


@given(_texts)
def test_any_of_them_in_a_row_are_one_gzip_file(texts: list[bytes]) -> None:
    """As the library of Python reads it, which looks at check and length."""
    assert gzip.decompress(gzipped(map(Parcel, texts))) == b"".join(texts)


@given(_texts, st.data())
def test_what_is_there_can_be_read_before_the_rest_comes(texts: list[bytes], data: st.DataObject) -> None:
    """Two readers that begin at different parcels share their packed forms."""
    parcels = [Parcel(text) for text in texts]
    for begin in (0, data.draw(st.integers(0, len(parcels)))):
        packer, reader = Packer(), zlib.decompressobj(zlib.MAX_WBITS | 16)
        assert reader.decompress(GZIP_HEADER) == b""
        for parcel in parcels[begin:]:
            before = parcel.packed
            assert reader.decompress(packer.add(parcel)) == parcel.text
            assert parcel.packed is before
        assert reader.decompress(packer.end()) == b""
        assert reader.eof
