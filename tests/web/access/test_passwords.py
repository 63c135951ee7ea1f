"""Passwords: which may be had, that the work is the same for a name that nobody has, and that nothing waits for it."""

import asyncio
import threading

import pytest

from gateway.process import passwords as module
from gateway.process.passwords import LONGEST, SHORTEST, BusyError, Passwords, trouble_with
from tests.web.access.gate import cheap_passwords

WORDS = ("Anna Berg", "Brackenmoor Fuel Depot")


@pytest.mark.parametrize(
    "password",
    [
        "four quiet herons wade",
        "ждите ответа у причала",
        "🐟🐠🐡🦈🐙🦑🦐🦞🦀🐚🐳🐬",
        "            but for this",
        "x7#kQ" + "é" * 20,
        "correct horse battery staple",
        "k" * (LONGEST - 6) + "abcxyz",
    ],
)
def test_any_characters_may_be_in_it(password: str) -> None:
    assert trouble_with(password, WORDS) is None


@pytest.mark.parametrize(
    "password",
    [
        "passwordpassword",
        "Password1234!",
        "P@ssw0rd2026!!",
        "qwertyuiop12",
        "1234567890123",
        "zyxwvutsrqponm",
        "letmeinletmein1",
        "AnnaBerg2026!",
        "brackenmoor-fuel",
        "Brackenmoor1234",
        "administrator1",
        "welcome2summer",
        "iloveyou123456",
    ],
)
def test_what_is_tried_first_is_refused(password: str) -> None:
    assert "tried first" in (trouble_with(password, WORDS) or "")


def test_length_is_counted_in_characters() -> None:
    assert f"{SHORTEST} characters at least" in (trouble_with("äöüßäöüßäöü", WORDS) or "")
    assert f"{LONGEST} characters at most" in (trouble_with("four quiet herons " * 20, WORDS) or "")
    assert "different characters" in (trouble_with("abababababababab", WORDS) or "")
    assert LONGEST >= 64, "ASVS 5.0, 6.2.9"
    assert SHORTEST >= 8, "ASVS 5.0, 6.2.1"


async def test_it_is_compared_as_it_was_sent() -> None:
    passwords = cheap_passwords()
    long = "four quiet herons wade " * 9
    kept = await passwords.hashed(long)
    assert kept.startswith("$argon2id$")
    assert await passwords.matches(kept, long)
    for other in (long[:-1], long.upper(), long.strip(), long + " "):
        assert not await passwords.matches(kept, other)


async def test_the_costs_are_those_that_the_guide_names() -> None:
    kept = await Passwords().hashed("four quiet herons wade")
    assert kept.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert not Passwords().is_outdated(kept)
    assert cheap_passwords().is_outdated(kept)


async def test_a_name_that_nobody_has_takes_the_same_work() -> None:
    passwords = cheap_passwords()
    kept = await passwords.hashed("four quiet herons wade")
    work = []
    for whose in (kept, None, kept, None):
        before = passwords.work
        await passwords.matches(whose, "something else entirely")
        work.append(passwords.work - before)
    assert work == [1, 1, 1, 1]
    assert not await passwords.matches(None, "nobody has this password, as nobody is compared with it")


async def test_a_hash_that_is_none_lets_nobody_in() -> None:
    assert not await cheap_passwords().matches("$argon2id$v=19$m=1", "four quiet herons wade")


async def test_the_loop_goes_on_while_argon2_works_and_no_more_wait_than_may() -> None:
    """The thread is held in the middle of its work: all else must come to pass meanwhile."""
    passwords = cheap_passwords()
    held, let_go = threading.Event(), threading.Event()

    def hold() -> None:
        held.set()
        let_go.wait()

    blocker = passwords._thread.do(hold)
    while not held.is_set():  # noqa: ASYNC110 - a thread sets it
        await asyncio.sleep(0)
    waiting = [asyncio.create_task(passwords.hashed("four quiet herons")) for _ in range(module._MOST_WAITING)]
    turns = 0
    for _ in range(1000):
        await asyncio.sleep(0)
        turns += 1
    assert turns == 1000
    assert not any(task.done() for task in waiting)
    assert passwords.work == 0
    with pytest.raises(BusyError):
        await passwords.hashed("four quiet herons")
    let_go.set()
    blocker.result()
    assert len(set(await asyncio.gather(*waiting))) == module._MOST_WAITING
    assert await passwords.hashed("four quiet herons"), "there is room again"


async def test_what_nobody_waits_for_any_more_is_not_done_and_the_thread_goes_on() -> None:
    passwords = cheap_passwords()
    let_go = threading.Event()
    passwords._thread.do(let_go.wait)
    waiting = [asyncio.create_task(passwords.hashed("four quiet herons")) for _ in range(module._MOST_WAITING)]
    await asyncio.sleep(0)
    for task in waiting:
        task.cancel()
    await asyncio.wait(waiting)
    let_go.set()
    assert await passwords.hashed("four quiet herons")
    assert passwords.work == 1
