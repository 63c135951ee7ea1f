"""Whether whoever asks for an act may still, when its turn comes.

Acts wait for one another, for the disk and for history to be read. Who was let in when he asked may be out by then, and
nothing is done for him any more. It goes along with the task that asks, so that no room between has to pass it on.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from gateway.errors import GatewayError

__all__ = ["IS_OUT", "SIGN_IN", "always", "as_long_as", "refuse_who_is_out", "stands"]

IS_OUT = "your session has ended meanwhile: nothing was done"
SIGN_IN = "sign in, and look at what stands before you ask again"


def always() -> bool:
    """Of who asks from this machine: the system says who that is."""
    return True


_STANDS: ContextVar[Callable[[], bool]] = ContextVar("stands", default=always)


@contextmanager
def as_long_as(still: Callable[[], bool]) -> Iterator[None]:
    """What is asked for inside is done only while `still` says so."""
    token = _STANDS.set(still)
    try:
        yield
    finally:
        _STANDS.reset(token)


def stands() -> bool:
    """Whether whoever asked for what goes on in this task may still."""
    return _STANDS.get()()


def refuse_who_is_out(still: Callable[[], bool]) -> None:
    """For what is done by another task than the one that asks. Raises GatewayError."""
    if not still():
        error = GatewayError(IS_OUT)
        error.hint = SIGN_IN
        raise error
