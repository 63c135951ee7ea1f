"""No answer is taken for that of a later request: on wires that keep answers, for any pattern of keeping and losing."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, suppress
from itertools import cycle, islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.link import DoubtedWords
from gateway.acquisition.links.quiet import Timing
from gateway.errors import DeviceExceptionError, EarlierAnswerError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.records import ReasonCode
from tests.acquisition.virtual_loop import run_virtually
from tests.acquisition.virtual_wire import FRAMINGS, VirtualWire, link_on_loop_time
from tests.acquisition.wire_peer import Asked, Wire, WirePeer, answer, healthy, rtu

HOLDING = Table.HOLDING_REGISTERS
TIMEOUT_S = 0.2
TAKES_S = 0.01
Block = tuple[int, int, int]
"""Unit, address, registers."""
A, B, WIDE = (1, 0, 2), (1, 10, 2), (1, 20, 5)
ONE, OTHER_ONE = (2, 0, 1), (2, 5, 1)


class Path:
    """Answers come in the order of the requests, each at its time, when it is let go: or they are kept, or lost.

    What a register holds tells which request its answer is to: its address times 256, and the number of the request.
    """

    def __init__(self) -> None:
        self.kept: list[bytes] = []
        self.asked: list[Block] = []
        self.refuses: Callable[[Asked], int | None] = lambda asked: None
        self.plan: Iterator[tuple[bool, int, float]] = cycle([(True, 9, TAKES_S)])
        """For each request: whether it is answered, how many answers are let go then, and after how long."""

    async def __call__(self, asked: Asked, wire: Wire) -> None:
        number = len(self.asked)
        self.asked.append((asked.unit, asked.address, asked.size))
        is_answered, let_go, after_s = next(self.plan)
        code = self.refuses(asked)
        if is_answered and code is not None:
            self.kept.append(rtu(bytes([asked.unit, asked.function | 0x80, code])))
        elif is_answered:
            self.kept.append(answer(asked, [(asked.address + at) << 8 | number & 0xFF for at in range(asked.size)]))
        await asyncio.sleep(after_s)
        for frame in self.kept[:let_go]:
            wire.send(frame)
        del self.kept[:let_go]


class Bench:
    def __init__(self, link: HalfDuplexLink, wire: VirtualWire, path: Path) -> None:
        self.link = link
        self.wire = wire
        self.path = path

    async def read(self, block: Block) -> tuple[int, ...]:
        """Connects first where that is needed. What comes without doubt is the answer to a request of this read."""
        unit, address, size = block
        if not self.link.connected:
            await self.link.connect(1.0)
        begun = len(self.path.asked)
        words = await self.link.read(unit, HOLDING, address, size, TIMEOUT_S)
        assert len(words) == size
        if not isinstance(words, DoubtedWords):
            asked = range(begun, len(self.path.asked))
            numbers = {number & 0xFF for number in asked if self.path.asked[number] == block}
            assert [word >> 8 for word in words] == list(range(address, address + size)), "other registers"
            assert {word & 0xFF for word in words} <= numbers, "an answer to an earlier request"
        return words

    async def outcomes(self, blocks: Sequence[Block], reads: int) -> list[str]:
        """What became of reads of the blocks in turn."""
        found = []
        for block in islice(cycle(blocks), reads):
            try:
                words = await self.read(block)
            except LinkError as exc:
                found.append(type(exc).__name__)
            else:
                found.append("doubted" if isinstance(words, DoubtedWords) else "well")
            await asyncio.sleep(0.5)
        return found


@asynccontextmanager
async def bench(framing: str = "rtu") -> AsyncIterator[Bench]:
    path = Path()
    peer = WirePeer(path)
    timing = Timing(silence_s=0.00175, quiet_shortest_s=0.02, quiet_longest_s=0.3)
    link, wire = link_on_loop_time(peer, FRAMINGS[framing](), timing)
    await link.connect(1.0)
    try:
        yield Bench(link, wire, path)
    finally:
        await link.close()
        await peer.stop()


async def hostile(made: Bench, reads: list[Block], steps: list[tuple[bool, int, float]], reconnects: set[int]) -> None:
    made.path.plan = (*steps, *[(True, 99, TAKES_S)] * 10_000).__iter__()
    for number, block in enumerate(reads):
        if number in reconnects and number % 2:
            made.wire.hang_up()
        elif number in reconnects:
            asyncio.get_running_loop().call_later(TAKES_S / 2, made.wire.hang_up)
        with suppress(NoAnswerError, EarlierAnswerError, NoConnectionError):
            await made.read(block)


BLOCKS = (A, B, WIDE, (3, 0, 2))
STEP = st.tuples(st.booleans(), st.integers(0, 3), st.sampled_from([TAKES_S, TAKES_S, 0.15, 0.25, 0.4, 1.1]))


@given(
    framing=st.sampled_from(["rtu", "ascii"]),
    reads=st.lists(st.sampled_from(BLOCKS), min_size=1, max_size=30),
    steps=st.lists(STEP, max_size=40),
    reconnects=st.sets(st.integers(0, 30), max_size=4),
)
def test_whatever_is_kept_or_lost_no_answer_is_an_earlier_ones_and_in_the_end_all_is_well(
    framing: str, reads: list[Block], steps: list[tuple[bool, int, float]], reconnects: set[int]
) -> None:
    async def run() -> None:
        async with bench(framing) as made:
            assert await made.outcomes(BLOCKS, len(BLOCKS)) == ["well"] * len(BLOCKS)
            await hostile(made, reads, steps, reconnects)
            while len(made.path.asked) <= len(steps) + 10:
                await made.outcomes(BLOCKS, 4)
            await made.outcomes(BLOCKS, 20)
            assert await made.outcomes(BLOCKS, 8) == ["well"] * 8

    run_virtually(run)


@pytest.mark.parametrize("blocks", [(ONE, OTHER_ONE), (ONE, OTHER_ONE, A), (ONE, OTHER_ONE, (3, 0, 1))])
@given(data=st.data(), steps=st.lists(STEP, max_size=40), reconnects=st.sets(st.integers(0, 30), max_size=4))
def test_where_nothing_tells_the_blocks_apart_no_other_registers_are_ever_good_either(
    blocks: tuple[Block, ...], data: st.DataObject, steps: list[tuple[bool, int, float]], reconnects: set[int]
) -> None:
    reads = data.draw(st.lists(st.sampled_from(blocks), min_size=1, max_size=30))

    async def run() -> None:
        async with bench() as made:
            assert await made.outcomes(blocks, len(blocks)) == ["well"] * len(blocks)
            await hostile(made, reads, steps, reconnects)
            await made.outcomes(blocks, 40)

    run_virtually(run)


BEHIND = (True, 1, TAKES_S)
"""With an answer kept: each request is given the one before."""
KEEPS = (True, 0, TAKES_S)


async def kept_one(made: Bench, blocks: Sequence[Block] = (A, B)) -> None:
    """All was well, then one answer was kept, and each request gets the one before, for ever."""
    assert await made.outcomes(blocks, 4) == ["well"] * 4
    made.path.plan = iter([KEEPS, *[BEHIND] * 10_000])
    with pytest.raises(NoAnswerError):
        await made.read(blocks[0])


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
@pytest.mark.parametrize("blocks", [(A, B), (A, WIDE), (A, (3, 0, 2)), (A, B, WIDE, (3, 0, 2))])
async def test_where_every_answer_stays_one_behind_none_is_taken_and_it_is_said(
    framing: str, blocks: tuple[Block, ...]
) -> None:
    async with bench(framing) as made:
        await kept_one(made, blocks)
        assert await made.outcomes(blocks, 30) == ["EarlierAnswerError"] * 2 + ["AnswersShiftedError"] * 28
        assert made.link.counters.shifts == 1
        assert made.wire.opened == 5, "3, 6, 12 and 24 reads behind: a new connection is tried, and changes nothing"


async def test_once_in_step_again_it_takes_a_few_answers_until_they_are_believed() -> None:
    async with bench() as made:
        await kept_one(made)
        await made.outcomes((A, B), 10)
        made.path.plan = cycle([(True, 9, TAKES_S)])
        found = await made.outcomes((A, B), 8)
        assert found == ["AnswersShiftedError"] * 2 + ["well"] * 6
        assert made.link.counters.shifts == 1


async def test_an_answer_kept_once_costs_a_short_request_once() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        made.path.plan = iter([KEEPS, *[(True, 9, TAKES_S)] * 100])
        with pytest.raises(NoAnswerError):
            await made.read(A)
        begun = len(made.path.asked)
        assert await made.outcomes((B, A), 6) == ["well"] * 6
        assert made.path.asked[begun:] == [(1, 0, 1), B, A, B, A, B, A]
        assert made.link.counters.late_answers == 1
        assert made.link.counters.unsolicited_frames == 0


async def test_an_answer_that_is_only_late_costs_nothing_more() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        made.path.plan = iter([(True, 9, TIMEOUT_S + 0.01), *[(True, 9, TAKES_S)] * 100])
        with pytest.raises(NoAnswerError):
            await made.read(A)
        begun = len(made.path.asked)
        assert await made.outcomes((B, A), 4) == ["well"] * 4
        assert made.path.asked[begun:] == [B, A, B, A]


@pytest.mark.parametrize("apart_s", [0.03, 0.15, 0.4])
async def test_answers_kept_for_long_and_let_go_one_after_another_are_all_waited_out(apart_s: float) -> None:
    """400 ms apart is longer than the line is waited for to be silent."""
    kept: list[Asked] = []
    is_frozen = True

    async def thaws(asked: Asked, wire: Wire) -> None:
        kept.append(asked)
        if is_frozen:
            return
        while kept:
            await asyncio.sleep(apart_s)
            wire.send(answer(kept.pop(0)))

    async with bench() as made:
        await made.outcomes((A, B, (3, 0, 2)), 6)
        made.wire._peer.handler = thaws
        for unit, address, size in (A, B, (3, 0, 2), A, B):
            with pytest.raises(NoAnswerError):
                await made.link.read(unit, HOLDING, address, size, TIMEOUT_S)
        is_frozen = False
        found = [await made.link.read(1, HOLDING, address, 2, 0.5) for address in (10, 0, 10, 0)]
        assert found == [(1010, 1011), (1000, 1001)] * 2
        assert made.link.counters.unsolicited_frames == 0


async def test_a_new_connection_is_no_proof() -> None:
    async with bench() as made:
        await kept_one(made)
        for _ in range(6):
            made.wire.hang_up()
            assert set(await made.outcomes((B, A), 2)) <= {"EarlierAnswerError", "AnswersShiftedError", "NoAnswerError"}


async def test_what_was_asked_as_the_connection_broke_is_owed_over_the_next() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        made.path.plan = iter([KEEPS, *[BEHIND] * 1000])
        asyncio.get_running_loop().call_later(TAKES_S, made.wire.hang_up)
        with pytest.raises(NoConnectionError):
            await made.read(A)
        assert "well" not in await made.outcomes((B, A), 6)


async def test_a_line_that_was_behind_before_the_program_started_is_found_out() -> None:
    async with bench() as made:
        made.path.kept = [answer(Asked(1, 3, 10, 2), [10 << 8, 11 << 8])]
        made.path.plan = cycle([BEHIND])
        found = await made.outcomes((A, B), 8)
        assert "well" not in found
        assert found[-1] == "AnswersShiftedError"


async def test_the_start_costs_one_short_request_and_none_where_the_first_two_look_different_anyway() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        assert made.path.asked == [(1, 0, 1), A, B, A, B]
    async with bench() as made:
        await made.outcomes((ONE, A, ONE, A), 4)
        assert made.path.asked == [ONE, A, ONE, A]


async def test_a_proof_is_never_outside_the_blocks() -> None:
    async with bench() as made:
        made.path.plan = cycle([(True, 9, TAKES_S), (False, 0, TAKES_S), (True, 9, TAKES_S)])
        await made.outcomes((A, WIDE), 40)
        ends = {address: address + size for _, address, size in (A, WIDE)}
        assert {address for _, address, _ in made.path.asked} == set(ends)
        assert all(address + size <= ends[address] for _, address, size in made.path.asked)


@pytest.mark.parametrize("code", [2, 3])
async def test_a_part_that_is_refused_proves_as_much_as_one_that_is_answered(code: int) -> None:
    async with bench() as made:
        made.path.refuses = lambda asked: code if asked.size % 2 else None
        await kept_one(made)
        assert "well" not in await made.outcomes((A, B), 4)
        made.path.plan = cycle([(True, 9, TAKES_S)])
        assert (await made.outcomes((A, B), 8))[-4:] == ["well"] * 4


async def test_a_part_that_is_passed_over_in_silence_is_not_asked_for_for_ever() -> None:
    async def passes_over(asked: Asked, wire: Wire) -> None:
        if asked.size % 2 == 0:
            await made.path(asked, wire)

    async with bench() as made:
        made.wire._peer.handler = passes_over
        assert (await made.outcomes((A, B), 6))[1:] == ["well"] * 5
        made.path.plan = iter([(False, 0, TAKES_S), *[(True, 9, TAKES_S)] * 1000])
        found = await made.outcomes((A, B), 20)
        assert "well" not in found
        assert found[-10:] == ["doubted"] * 10, "either may be the other's: nothing will ever tell"
        await made.outcomes([(3, 0, 2)], 1)
        found = await made.outcomes(((3, 0, 2), A, B), 9)
        assert found == ["well"] * 9, "another unit does"


async def test_one_unit_with_one_register_is_doubted_until_nothing_has_come_for_longer_than_any_was_kept() -> None:
    async with bench() as made:
        assert await made.outcomes([ONE], 4) == ["well"] * 4
        made.path.plan = iter([(False, 0, TAKES_S), *[(True, 9, TAKES_S)] * 1000])
        assert await made.outcomes([ONE], 1) == ["NoAnswerError"]
        found = await made.outcomes([ONE], 30)
        doubted = found.count("doubted")
        assert found == ["doubted"] * doubted + ["well"] * (30 - doubted)
        assert doubted * 0.5 == pytest.approx(10.0, abs=1.0)
        words = await made.link.read(2, HOLDING, 0, 1, TIMEOUT_S)
        assert not isinstance(words, DoubtedWords)


async def test_the_longest_that_an_answer_was_kept_is_learned() -> None:
    async with bench() as made:
        await made.outcomes([A], 4)
        made.path.plan = iter([KEEPS, *[(True, 9, TAKES_S)] * 1000])
        await made.outcomes([A], 1)
        await asyncio.sleep(40.0)
        await made.outcomes([A], 4)
        made.path.plan = iter([(False, 0, TAKES_S), *[(True, 9, TAKES_S)] * 1000])
        await made.outcomes([ONE], 1)
        found = await made.outcomes([ONE], 200)
        assert found.count("doubted") * 0.5 == pytest.approx(40.0, abs=2.0)


async def test_the_doubt_says_why() -> None:
    async with bench() as made:
        await made.outcomes([ONE], 1)
        made.path.plan = iter([(False, 0, TAKES_S), *[(True, 9, TAKES_S)] * 1000])
        await made.outcomes([ONE], 1)
        words = await made.read(ONE)
        assert isinstance(words, DoubtedWords)
        assert words.doubt.code is ReasonCode.ANSWER_UNPROVEN


async def test_registers_that_nothing_tells_apart_stay_doubted_until_something_does() -> None:
    async with bench() as made:
        assert await made.outcomes((ONE, OTHER_ONE), 4) == ["well"] * 4
        made.path.plan = iter([KEEPS, *[BEHIND] * 1000])
        await made.outcomes([ONE], 1)
        assert "well" not in await made.outcomes((OTHER_ONE, ONE), 60)
        made.path.plan = cycle([(True, 9, TAKES_S)])
        assert (await made.outcomes((A, ONE, OTHER_ONE), 300))[-6:] == ["well"] * 6


async def test_a_dead_unit_costs_the_line_no_request_to_another() -> None:
    async def dead(asked: Asked, wire: Wire) -> None:
        if asked.unit == 1:
            made.path.asked.append((asked.unit, asked.address, asked.size))
        else:
            await made.path(asked, wire)

    async with bench() as made:
        made.wire._peer.handler = dead
        found = await made.outcomes((A, (3, 0, 2), (4, 0, 2)), 30)
        assert found == ["NoAnswerError", "well", "well"] * 10
        assert len(made.path.asked) == 31, "one short request at the start"


async def test_a_unit_that_was_dead_for_long_is_back_with_its_fourth_request() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        made.path.plan = iter([(False, 0, TAKES_S)] * 50 + [(True, 9, TAKES_S)] * 1000)
        await made.outcomes((A, B), 50)
        begun = len(made.path.asked)
        assert await made.outcomes((A, B), 4) == ["well"] * 4
        assert len(made.path.asked) - begun <= 4 + 3


# Two answers to one request


class SecondMaster:
    """Reads other registers of the unit just before us, as many: its answer comes first, and ours 60 ms later."""

    def __init__(self) -> None:
        self.is_there = True

    async def __call__(self, asked: Asked, wire: Wire) -> None:
        if self.is_there:
            wire.send(answer(asked, [9000] * asked.size))
            await asyncio.sleep(0.06)
        wire.send(answer(asked))


async def test_a_block_to_which_two_answers_came_is_doubted_until_it_was_read_alone_for_a_while() -> None:
    async with bench() as made:
        made.wire._peer.handler = master = SecondMaster()
        found = []
        for number in range(200):
            master.is_there = number < 15
            words = await made.link.read(1, HOLDING, 0, 2, TIMEOUT_S)
            found.append(words.doubt.code if isinstance(words, DoubtedWords) else None)
            assert words == ((9000, 9000) if master.is_there else (1000, 1001))
            await asyncio.sleep(1.0)
        assert found[0] is None, "nobody can know yet"
        assert found[1:15] == [ReasonCode.ANSWERED_TWICE] * 14
        alone = found[15:].index(None)
        assert alone == pytest.approx(60, abs=6)
        assert found[15 + alone :] == [None] * (185 - alone)
        assert made.link.counters.second_answers == 15 + 1  # the short request at the start was one of them


async def test_a_second_answer_that_comes_while_another_unit_is_asked_harms_that_one_not() -> None:
    async def slow(asked: Asked, wire: Wire) -> None:
        await asyncio.sleep(0.1)
        wire.send(answer(asked))

    async with bench() as made:
        made.wire._peer.handler = SecondMaster()
        await made.link.read(1, HOLDING, 0, 2, TIMEOUT_S)
        made.wire._peer.handler = slow
        assert await made.link.read(3, HOLDING, 7, 2, TIMEOUT_S) == (3007, 3008)
        assert isinstance(await made.link.read(1, HOLDING, 0, 2, TIMEOUT_S), DoubtedWords)


async def test_a_late_answer_is_no_second_one() -> None:
    async with bench() as made:
        await made.outcomes((A, B), 4)
        made.path.plan = iter([(True, 9, TIMEOUT_S + 0.01), *[(True, 9, TAKES_S)] * 100])
        await made.outcomes([A], 1)
        assert await made.outcomes((B, A), 4) == ["well"] * 4
        assert made.link.counters.second_answers == 0


async def test_exceptions_that_were_kept_are_not_those_of_later_requests() -> None:
    async with bench() as made:
        made.path.refuses = lambda asked: 2 if asked.address == B[1] else None
        await made.outcomes([A], 4)
        made.path.plan = cycle([KEEPS])
        assert await made.outcomes([B], 1) == ["NoAnswerError"]
        made.path.plan = cycle([(True, 9, TAKES_S)])
        assert await made.outcomes([A], 4) == ["well"] * 4


@pytest.mark.parametrize("make", [healthy, SecondMaster()])
async def test_a_refusal_of_its_own_reaches_the_reader(make: Callable[..., object]) -> None:
    async def refuses(asked: Asked, wire: Wire) -> None:
        wire.send(rtu(bytes([asked.unit, asked.function | 0x80, 6])))

    async with bench() as made:
        await made.outcomes([A], 2)
        made.wire._peer.handler = refuses
        for _ in range(3):
            with pytest.raises(DeviceExceptionError, match="exception 6 "):
                await made.read(A)
