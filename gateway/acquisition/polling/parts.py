"""Pure: what is read of an instrument with one request each, and what was learned about it: split and put off.

A block that its device refuses with exception 2 or 3 holds an address that the device does not have, or asks for more
than it answers at once (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4). Halving finds the address in about
as many steps as the block has bits in its length. What answered is then joined again around it, so that the rest costs
as few requests as the refused address allows.
"""

from collections.abc import Callable

from gateway.acquisition.polling.blocks import Block, join_blocks, split_block
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.backoff import Backoff
from gateway.records import Reason

__all__ = ["BlockParts", "Part"]


class Part:
    """One read of an instrument: a block as planned, or what is left of one."""

    __slots__ = ("_backoff", "answers", "block", "doubted_ns", "failure", "joined", "reader", "refused", "retry_at_ns")

    def __init__(self, block: Block, reader: BlockReader, backoff: Backoff, joined: "tuple[Part, ...]" = ()) -> None:
        self.block = block
        self.reader = reader
        self._backoff = backoff
        self.joined = joined
        """Parts that are known to answer, which this one is the attempt to read together."""
        self.answers = False
        self.refused = False
        """Refused as a whole: there is nothing left to split."""
        self.doubted_ns = 0
        """When it was last asked in vain; 0 when it was answered since. The doubted are asked last."""
        self.retry_at_ns = 0
        self.failure: Reason | None = None

    def put_off(self, now_ns: int) -> None:
        """Leave it alone for a growing, jittered while."""
        self.retry_at_ns = now_ns + round(self._backoff.after(0.0) * 1e9)

    def answered(self) -> None:
        self.answers = True
        self.failure = None
        if self.doubted_ns:
            self.doubted_ns = self.retry_at_ns = 0
            if not self.refused:
                self._backoff.forget()


class BlockParts:
    """One planned block of an instrument as the device lets it be read: in one part, until it refuses that."""

    __slots__ = ("_backoffs", "_block", "_make_backoff", "_may_join", "_tag", "parts")

    def __init__(self, tag: str, block: Block, make_backoff: Callable[[], Backoff]) -> None:
        """Raises ValueError when a signal of the block cannot be decoded."""
        self._tag = tag
        self._block = block
        self._make_backoff = make_backoff
        self._backoffs: dict[int, Backoff] = {}
        """By first address: how rarely a part that was refused is asked again outlives that it is read anew."""
        self._may_join = True
        self.parts: tuple[Part, ...] = (self._part(block),)

    def refused(self, part: Part) -> tuple[Part, ...]:
        """The device refused the part: what to ask for instead. Nothing when the part can be split no further."""
        if part.refused:
            return ()
        if part.joined:
            self._may_join = False
            instead = part.joined
        else:
            instead = tuple(map(self._part, split_block(part.block)))
            if len(instead) == 1:
                part.refused = True
                return ()
        place = self.parts.index(part)
        self.parts = (*self.parts[:place], *instead, *self.parts[place + 1 :])
        return instead

    def settle(self) -> None:
        """To be called between polls: draws the conclusions of the last one."""
        if len(self.parts) == 1 and not self.parts[0].refused:
            return
        if any(part.refused and part.answers for part in self.parts):
            # The device has the address now, perhaps after a restart: try the whole block once more.
            self.parts = (self._part(self._block),)
            self._may_join = True
        elif len(self.parts) > 1 and all(part.refused for part in self.parts):
            whole = self._part(self._block)
            whole.refused = True
            whole.failure = self.parts[0].failure
            whole.doubted_ns = self.parts[0].doubted_ns
            whole.put_off(whole.doubted_ns)
            self.parts = (whole,)
        elif all(part.refused or part.answers for part in self.parts):
            self._join()

    def try_again(self) -> None:
        """The connection is a new one, or the instrument was found again: what it refused may be there now."""
        for part in self.parts:
            if part.refused:
                part.retry_at_ns = 0

    def _join(self) -> None:
        """Reads together what lies between two refused parts; never the block that was refused as a whole."""
        if not self._may_join or not any(part.refused for part in self.parts):
            return
        parts: list[Part] = []
        run: list[Part] = []
        for part in self.parts:
            if part.refused:
                parts += [*self._joined(run), part]
                run = []
            else:
                run.append(part)
        self.parts = (*parts, *self._joined(run))

    def _joined(self, run: list[Part]) -> list[Part]:
        if len(run) < 2:
            return run
        pieces = tuple(piece for part in run for piece in (part.joined or (part,)))
        return [self._part(join_blocks([part.block for part in run]), pieces)]

    def _part(self, block: Block, joined: tuple[Part, ...] = ()) -> Part:
        backoff = self._backoffs.setdefault(block.address, self._make_backoff())
        return Part(block, BlockReader(self._tag, block), backoff, joined)
