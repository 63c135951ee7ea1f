"""How much one message may be and ask for, looked at before and while it is decoded: that alone would take seconds, of
everybody.

Each has a sentence where it is more. What asyncua 2.1 makes of a few bytes without end is closed here: an array of
values that have no bytes, as many as its length says; a text of less than no length, behind which reading goes back and
finds it again; and a value of as many dimensions as may be, which nobody has a use for where nothing can be written.
"""

import struct
from collections.abc import Mapping
from typing import Any

from asyncua import ua
from asyncua.common.connection import TransportLimits
from asyncua.common.utils import Buffer, NotEnoughData, ServiceError
from asyncua.ua import ua_binary
from asyncua.ua.ua_binary import nodeid_from_binary

__all__ = ["LIMITS", "LONGEST_CHUNK", "Body", "Limits", "RefusedError", "asked_of", "too_much"]

LONGEST_CHUNK = 65_535
_MOST_CHUNKS = 64
_LONGEST_MESSAGE = 2_000_000
_MOST_PARTS = 500_000
"""Of one message: twice what a request for all that may be asked for in one has."""
_LEAST_PARTS = 50_000
_LONG = 4_096
"""Bytes of a part that counts as many: the dimensions of a value are one, and multiplying them takes seconds."""
_Ids = ua.ObjectIds
_BEFORE_COUNT: Mapping[int, int] = {
    _Ids.ReadRequest_Encoding_DefaultBinary: 12,
    _Ids.WriteRequest_Encoding_DefaultBinary: 0,
    _Ids.CallRequest_Encoding_DefaultBinary: 0,
    _Ids.TranslateBrowsePathsToNodeIdsRequest_Encoding_DefaultBinary: 0,
    _Ids.RegisterNodesRequest_Encoding_DefaultBinary: 0,
    _Ids.CreateMonitoredItemsRequest_Encoding_DefaultBinary: 8,
    _Ids.ModifyMonitoredItemsRequest_Encoding_DefaultBinary: 8,
    _Ids.DeleteMonitoredItemsRequest_Encoding_DefaultBinary: 4,
    _Ids.BrowseRequest_Encoding_DefaultBinary: 16,
    _Ids.SetMonitoringModeRequest_Encoding_DefaultBinary: 8,
    _Ids.SetPublishingModeRequest_Encoding_DefaultBinary: 1,
    _Ids.DeleteSubscriptionsRequest_Encoding_DefaultBinary: 0,
    _Ids.TransferSubscriptionsRequest_Encoding_DefaultBinary: 0,
    _Ids.PublishRequest_Encoding_DefaultBinary: 0,
    _Ids.UnregisterNodesRequest_Encoding_DefaultBinary: 0,
}
"""Bytes that stand before the number of what is asked for, behind the header of the request (OPC 10000-4, 5); of Browse
behind the id of the view."""


class RefusedError(ServiceError):
    """With what the other end is told."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(code)
        self.text = text


class Body(Buffer):
    """Of one message, out of which no more parts are read than one may have."""

    _cur_pos: int

    def __init__(self, data: bytes, start: int, size: int, left: list[int]) -> None:
        """`left`: how many parts may still be read, of this and of all that are copied from it."""
        super().__init__(data, start, size)
        self._left = left

    @classmethod
    def of(cls, buffer: Buffer) -> "Body":
        # Some messages are read twice; of what is in one, next to nothing takes less than a byte.
        return cls(bytes(buffer), 0, len(buffer), [min(_MOST_PARTS, _LEAST_PARTS + 3 * len(buffer))])

    @property
    def is_too_much(self) -> bool:
        return self._left[0] < 0

    def read(self, size: int) -> bytes:
        """Raises RefusedError where there is too much."""
        self._left[0] -= 1 if size < _LONG else 2 * size
        if self._left[0] < 0:
            raise too_much()
        if not 0 <= size <= min(self._size, LONGEST_CHUNK):
            raise NotEnoughData(f"a part of {size} bytes cannot be had of {self._size}")
        begin = self._cur_pos
        self._cur_pos = begin + size
        self._size -= size
        found: bytes = self._data[begin : self._cur_pos]
        return found

    def copy(self, size: int = -1) -> "Body":
        return Body(self._data, self._cur_pos, self._size if size < 0 else min(size, self._size), self._left)


def too_much() -> RefusedError:
    return RefusedError(ua.StatusCodes.BadEncodingLimitsExceeded, "it sends a message of more parts than are taken")


def asked_of(kind: int, body: Any) -> int:
    """How many things this request says that it asks for; 0 where that does not stand at its begin. Raises what
    asyncua does for a body that is none. `body`: a `Buffer` behind the header, of which nothing is taken."""
    before = _BEFORE_COUNT.get(kind)
    if before is None:
        return 0
    rest = body.copy()
    if kind == _Ids.BrowseRequest_Encoding_DefaultBinary:
        nodeid_from_binary(rest)
    rest.skip(before)
    return int(struct.unpack("<i", rest.read(4))[0])


class Limits(TransportLimits):
    """What a client says that it can take bounds what it is sent, and not what it may ask for, as asyncua has it.

    Of one connection: asyncua makes a copy for each.
    """

    is_signed_in = False

    def create_acknowledge_and_set_limits(self, msg: ua.Hello) -> ua.Acknowledge:
        self.max_send_buffer = min(msg.ReceiveBufferSize, LONGEST_CHUNK)
        told = ua.Acknowledge()
        told.ReceiveBufferSize = min(msg.SendBufferSize, LONGEST_CHUNK)
        told.SendBufferSize = self.max_send_buffer
        told.MaxMessageSize = self.max_message_size
        told.MaxChunkCount = self.max_chunk_count
        return told

    # By itself asyncua says no more than a code, and ends the connection without a word in the log.

    def is_msg_size_within_limit(self, sz: int) -> bool:
        """Raises RefusedError where it is not."""
        if not self.is_signed_in and sz > LONGEST_CHUNK:
            text = f"it sends a message of more than {LONGEST_CHUNK} bytes before it has signed in"
            raise RefusedError(ua.StatusCodes.BadTcpMessageTooLarge, text)
        if sz > self.max_message_size:
            text = f"it sends a message of more than {self.max_message_size} bytes"
            raise RefusedError(ua.StatusCodes.BadTcpMessageTooLarge, text)
        return True

    def is_chunk_count_within_limit(self, sz: int) -> bool:
        """Raises RefusedError where it is not."""
        if sz > self.max_chunk_count:
            text = f"it sends a message of more than {self.max_chunk_count} chunks"
            raise RefusedError(ua.StatusCodes.BadTcpMessageTooLarge, text)
        return True


LIMITS = Limits(LONGEST_CHUNK, LONGEST_CHUNK, _MOST_CHUNKS, _LONGEST_MESSAGE)


class _Nothing:
    """A value that has no bytes, counted like any other."""

    @staticmethod
    def pack(data: object) -> bytes:
        return b""

    @staticmethod
    def unpack(data: Buffer) -> None:
        data.read(0)


# By name asyncua finds it when it first decodes one, which is later than this.
ua_binary.Primitives.Null = _Nothing()
# No value has several dimensions where nothing can be written.
ua_binary.MAX_RESHAPE_ELEMENTS = 0
