"""A call that nobody waits for any more is passed over, and takes the thread with it in no case."""

import threading

import pytest

from gateway.process.one_thread import OneThread


def test_a_call_that_is_cancelled_before_its_turn_is_not_made_and_those_after_it_are() -> None:
    thread, let_go, made = OneThread("test"), threading.Event(), []
    thread.do(let_go.wait)
    cancelled = thread.do(lambda: made.append("cancelled"))
    after = thread.do(lambda: made.append("after"))
    assert cancelled.cancel()
    let_go.set()
    after.result(timeout=20)
    assert made == ["after"]
    thread.end()


def test_what_a_call_raises_is_for_whoever_gave_it() -> None:
    thread = OneThread("test")

    def fail() -> None:
        raise SystemExit("not of the thread")

    with pytest.raises(SystemExit):
        thread.do(fail).result(timeout=20)
    assert thread.do(lambda: 7).result(timeout=20) == 7
    thread.end()
