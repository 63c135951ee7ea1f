"""A mistake that the debug mode of asyncio would refuse is refused in every test."""

import asyncio
import threading
from collections.abc import Callable, Iterator

import pytest

from tests.acquisition.virtual_loop import VirtualLoop
from tests.support.loop_checks import CheckedUvloop

LOOPS: list[Callable[[], asyncio.AbstractEventLoop]] = [asyncio.new_event_loop, VirtualLoop, CheckedUvloop]


async def from_another_thread(call: Callable[[asyncio.AbstractEventLoop], object]) -> Exception | None:
    """What a call raises there."""
    loop = asyncio.get_running_loop()
    raised: list[Exception | None] = []

    def there() -> None:
        try:
            call(loop)
        except RuntimeError as exc:
            raised.append(exc)
        else:
            raised.append(None)

    thread = threading.Thread(target=there)
    thread.start()
    thread.join()
    await asyncio.sleep(0)
    return raised[0]


@pytest.fixture(params=LOOPS, ids=lambda make: make.__name__)
def runner(request: pytest.FixtureRequest) -> Iterator[asyncio.Runner]:
    # As pytest-asyncio makes one: the debug mode is off unless it is asked for.
    with asyncio.Runner(debug=False, loop_factory=request.param) as made:
        yield made


def test_a_loop_is_called_from_its_own_thread_alone(runner: asyncio.Runner) -> None:
    for call in (
        lambda loop: loop.call_soon(print),
        lambda loop: loop.call_later(1.0, print),
        lambda loop: loop.call_at(1.0, print),
        lambda loop: loop.create_future().set_result(None) or loop.call_soon(print),
    ):
        assert isinstance(runner.run(from_another_thread(call)), RuntimeError)


def test_what_is_meant_for_other_threads_is_not_refused(runner: asyncio.Runner) -> None:
    assert runner.run(from_another_thread(lambda loop: loop.call_soon_threadsafe(lambda: None))) is None


@pytest.mark.parametrize("make", [asyncio.new_event_loop, VirtualLoop])
def test_a_coroutine_is_no_callback(make: Callable[[], asyncio.AbstractEventLoop]) -> None:
    async def coroutine() -> None: ...

    async def given() -> None:
        with pytest.raises(TypeError, match="a coroutine in place of a callback"):
            asyncio.get_running_loop().call_soon(coroutine)

    with asyncio.Runner(debug=False, loop_factory=make) as runner:
        runner.run(given())
