"""Pure: where in plain values something is wrong. A place is made a text only where there is something to say of it."""

from typing import Any

from gateway.errors import GatewayError

__all__ = ["Place", "PlainFormError"]

Place = tuple[Any, str | int] | str | None
"""The place around it, and the name or the number within that; None: the whole."""


class PlainFormError(GatewayError):
    """Plain values are not what they are to be read as. The text names the place."""

    def __init__(self, place: Place, wanted: str) -> None:
        super().__init__(f"{_text_of(place) or 'the whole'} is not {wanted}")


def _text_of(place: Place) -> str:
    if place is None or isinstance(place, str):
        return place or ""
    around, within = _text_of(place[0]), place[1]
    if isinstance(within, int):
        return f"{around}[{within}]"
    return f"{around}.{within}" if around else within
