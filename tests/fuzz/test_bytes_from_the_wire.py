"""Any bytes at all from the wire, in every framing, to the frame readers, to a link and to a whole line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.dialects import DIALECTS, right_pdu
from tests.fuzz.hostile_wire import Script
from tests.fuzz.trials import try_frame_reader, try_line, try_link
from tests.support.wire import Request

in_every_framing = pytest.mark.parametrize("name", DIALECTS)
ASKED = Request(1, 17, 3, bytes.fromhex("006B 0003"))


@pytest.mark.parametrize("name", ["rtu", "ascii"])
@given(data=st.data())
def test_a_frame_reader(name: str, data: st.DataObject) -> None:
    dialect = DIALECTS[name]
    right = dialect.frame(ASKED, right_pdu(ASKED, [555, 0, 100]))
    framed = st.binary(min_size=1, max_size=12).map(lambda pdu: dialect.frame(ASKED, pdu))
    damaged = st.builds(
        lambda place, instead: right[:place] + instead + right[place + 1 :],
        st.integers(0, len(right)),
        st.binary(max_size=3),
    )
    try_frame_reader(name, data.draw(st.one_of(st.binary(max_size=60), framed, damaged)))


@in_every_framing
@given(data=st.binary(max_size=300))
def test_a_link(name: str, data: bytes) -> None:
    try_link(name, data)


@in_every_framing
@given(data=st.binary(max_size=300))
def test_a_line(name: str, data: bytes) -> None:
    try_line(name, data)


def test_a_script_that_is_over_is_nothing_but_noughts() -> None:
    script = Script(b"\x07")
    assert (script.number(4), script.is_over, script.number(9), script.some(3)) == (3, True, 0, b"")
