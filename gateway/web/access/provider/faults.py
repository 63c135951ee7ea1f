"""What can go wrong between here and a provider."""

from gateway.errors import GatewayError

__all__ = ["AwayError", "NotTrueError"]

_HINT = "sign in by name and password meanwhile"


class AwayError(GatewayError):
    """It does not answer, or not so that anybody could sign in by it. Trying again may help; a password does."""

    hint = _HINT


class NotTrueError(GatewayError):
    """What came from it, or back through the browser, is not to be believed. Beginning anew may help."""

    hint = "begin anew; if it goes on, the log of the gateway tells more"
