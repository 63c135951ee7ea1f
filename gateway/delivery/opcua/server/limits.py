"""How much one message may be and ask for, looked at before it is decoded: that alone would take seconds, of everybody.

Each has a sentence where it is more.
"""

import struct
from collections.abc import Mapping
from typing import Any

from asyncua import ua
from asyncua.common.connection import TransportLimits
from asyncua.common.utils import ServiceError
from asyncua.ua.ua_binary import nodeid_from_binary

__all__ = ["LIMITS", "LONGEST_CHUNK", "Limits", "RefusedError", "asked_of"]

LONGEST_CHUNK = 65_535
_MOST_CHUNKS = 64
_LONGEST_MESSAGE = 2_000_000
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
}
"""Bytes that stand before the number of what is asked for, behind the header of the request (OPC 10000-4, 5); of Browse
behind the id of the view."""


class RefusedError(ServiceError):
    """With what the other end is told."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(code)
        self.text = text


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
