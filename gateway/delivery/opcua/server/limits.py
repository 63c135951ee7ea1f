"""How much one message may be, each with a sentence where it is more."""

from asyncua import ua
from asyncua.common.connection import TransportLimits
from asyncua.common.utils import ServiceError

__all__ = ["LIMITS", "LONGEST_CHUNK", "RefusedError"]

LONGEST_CHUNK = 65_535
_MOST_CHUNKS = 64
_LONGEST_MESSAGE = 2_000_000


class RefusedError(ServiceError):
    """With what the other end is told."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(code)
        self.text = text


class Limits(TransportLimits):
    """What a client says that it can take bounds what it is sent, and not what it may ask for, as asyncua has it."""

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
