"""Connections that are cut off: each may hear why, within bounds of time and number."""

import asyncio
from contextlib import suppress

from asyncua import ua
from asyncua.ua.ua_binary import uatcp_to_binary

from gateway.delivery.opcua.server.limits import LONGEST_CHUNK

__all__ = ["Leaving"]

_LAST_S = 1.0
"""For so long whoever is cut off may take to hear why."""
_MOST = 100
"""At a time: whoever comes again and again would else hold all descriptors of the process."""


class Leaving:
    """Of one port."""

    def __init__(self) -> None:
        self._held: set[asyncio.Transport] = set()

    def end(self, transport: asyncio.Transport, code: int, sentence: str) -> None:
        """It may write nothing any more."""
        with suppress(Exception):
            transport.write(uatcp_to_binary(ua.MessageType.Error, ua.ErrorMessage(ua.StatusCode(code), sentence)))
            # Closed while more comes in it is reset, and the sentence lost with it: the other end is to close it.
            transport.write_eof()
        if transport.get_write_buffer_size() > LONGEST_CHUNK:
            transport.abort()
            return
        asyncio.get_running_loop().call_later(_LAST_S, transport.abort)
        self._held = {each for each in self._held if not each.is_closing()}
        if len(self._held) < _MOST:
            self._held.add(transport)
        else:
            transport.close()
