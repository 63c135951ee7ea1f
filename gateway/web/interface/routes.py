"""Endpoints as routes of the server: what was sent is bounded and looked at, and every refusal is a sentence.

A refusal has the form of the door's answer: `code` (1: it cannot be done, 2: it was asked wrongly), `lines`, `hint`.
"""

import asyncio
import re
import zlib
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

import orjson
import structlog
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from gateway.errors import GatewayError, NotKeptError, UsageError
from gateway.person import Person
from gateway.process.standing import always
from gateway.web.encodings import takes_gzip
from gateway.web.interface.contract import (
    JSON_TYPE,
    BusyError,
    Call,
    Handler,
    Made,
    NobodyAskedError,
    NotAllowedError,
    UnknownError,
)
from gateway.web.interface.endpoint import Endpoint

__all__ = ["PREFIX", "refusal", "routes"]

PREFIX = "/api/1/"
_LONGEST_VALUE = 200
"""Of what stands behind the question mark, each."""
_MOST_VALUES = 20
_HEADERS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
_AGAIN = {"Retry-After": "5"}
_PACKED_FROM = 1000
"""Bytes: what is shorter is one packet either way."""
_PACKED_BY, _GZIP, _SLICE = 3, 31, 32_768
_NOT_IN_A_NAME = re.compile(r"[^A-Za-z0-9._-]+")
_LOGGER = structlog.get_logger("gateway.web")


class _TooLargeError(Exception):
    pass


def routes(endpoints: tuple[Endpoint, ...], handlers: Mapping[str, Handler]) -> list[Route]:
    """Of those that are answered here."""
    return [
        Route(each.path, _answering(each, handlers[each.name]), methods=[each.method])
        for each in endpoints
        if each.name in handlers
    ]


def refusal(status: int, text: str, hint: str = "", headers: Mapping[str, str] | None = None) -> Response:
    """`code` 2 where it was asked wrongly, 1 where it cannot be done."""
    code = 2 if status in (400, 404, 405, 413, 415, 422) else 1
    body = orjson.dumps({"code": code, "lines": text.splitlines(), "hint": hint})
    return Response(body, status, media_type=JSON_TYPE, headers={**_HEADERS, **(headers or {})})


def _answering(endpoint: Endpoint, handler: Handler) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        try:
            async with asyncio.timeout(endpoint.longest_s):
                return await _response(await handler(await _call(endpoint, request)), request)
        except UsageError as error:
            return refusal(400, str(error), error.hint or "")
        except UnknownError as error:
            return refusal(404, str(error), error.hint or "")
        except NobodyAskedError as error:
            return refusal(401, str(error), error.hint or "")
        except NotAllowedError as error:
            return refusal(403, str(error), error.hint or "")
        except (NotKeptError, BusyError) as error:
            return refusal(503, str(error), error.hint or "try again in a few seconds", _AGAIN)
        except TimeoutError:
            text = f"it was not there within {endpoint.longest_s:g} s, and was given up"
            return refusal(503, text, "ask for less, or again a little later", _AGAIN)
        except _TooLargeError:
            return refusal(413, f"the body is longer than {endpoint.largest_bytes} bytes", "send it in parts")
        except _NotJsonError as error:
            return refusal(415, str(error), f"send a JSON object with Content-Type: {JSON_TYPE}")
        except ClientDisconnect:
            # Nobody reads it.
            return Response(status_code=400)
        except GatewayError as error:
            return refusal(409, str(error), error.hint or "")
        except Exception as error:
            _LOGGER.error("web.request_failed", path=request.url.path, exc_info=error)
            return refusal(500, "the gateway could not answer: a fault in the program", "its log says why")

    return answer


class _NotJsonError(Exception):
    pass


async def _call(endpoint: Endpoint, request: Request) -> Call:
    body = await _body(request, endpoint.largest_bytes) if endpoint.body is not None else {}
    person = request.scope.get("state", {}).get("person")
    return Call(
        request.path_params,
        _query(endpoint, request),
        body,
        person if isinstance(person, Person) else None,
        request.scope.get("state", {}).get("stands", always),
    )


def _query(endpoint: Endpoint, request: Request) -> dict[str, str]:
    known = {each.name: each for each in endpoint.query}
    given = request.query_params.multi_items()
    if len(given) > _MOST_VALUES:
        raise UsageError(f"{len(given)} values were given", f"give {_MOST_VALUES} at most")
    found: dict[str, str] = {}
    for name, value in given:
        if name not in known:
            raise UsageError(f"'{_shown(name)}' is nothing that is asked for here", _knows(known))
        if name in found:
            raise UsageError(f"{name} was given twice", "give it once")
        if len(value) > _LONGEST_VALUE:
            raise UsageError(f"{name}: is longer than {_LONGEST_VALUE} characters", known[name].text)
        if not value.isprintable():
            raise UsageError(f"{name}: has characters that nobody can read", known[name].text)
        choice = known[name].schema.get("enum")
        if choice is not None and value not in choice:
            raise UsageError(f"{name}: '{_shown(value)}' is none of them", f"it may be {', '.join(choice)}")
        found[name] = value
    for each in endpoint.query:
        if each.required and each.name not in found:
            raise UsageError(f"{each.name} is missing", each.text)
    return found


def _knows(known: Mapping[str, object]) -> str:
    return f"it may be asked with {', '.join(known)}" if known else "ask without anything behind the question mark"


def _shown(text: str) -> str:
    """Of what somebody sent as much as helps him."""
    return "".join(each if each.isprintable() else "?" for each in text[:40])


async def _body(request: Request, largest_bytes: int) -> dict[str, Any]:
    """Its JSON object. What is too long is not read to its end."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != JSON_TYPE:
        raise _NotJsonError(f"the body is said to be '{_shown(kind)}'" if kind else "it is not said what the body is")
    pieces, length = [], 0
    async for piece in request.stream():
        length += len(piece)
        if length > largest_bytes:
            raise _TooLargeError
        pieces.append(piece)
    try:
        found = orjson.loads(b"".join(pieces))
    except ValueError as error:
        raise UsageError(f"the body is no JSON: {error}", "send a JSON object") from error
    if not isinstance(found, dict):
        raise UsageError("the body is JSON and no object", 'send for example {"action": "acknowledge", ...}')
    return found


async def _response(made: Made, request: Request) -> Response:
    headers, body = dict(_HEADERS), made.body
    if made.media_type == JSON_TYPE:
        headers["Vary"] = "Accept-Encoding"
        if len(body) >= _PACKED_FROM and takes_gzip(request.headers.get("Accept-Encoding", "")):
            headers["Content-Encoding"] = "gzip"
            body = await _packed(body)
    if made.file_name:
        headers["Content-Disposition"] = f'attachment; filename="{safe_name(made.file_name)}"'
    return Response(body, made.status, media_type=made.media_type, headers=headers)


async def _packed(body: bytes) -> bytes:
    """By gzip, in slices: others have their turn between them."""
    packer, pieces = zlib.compressobj(_PACKED_BY, zlib.DEFLATED, _GZIP), []
    for begin in range(0, len(body), _SLICE):
        pieces.append(packer.compress(body[begin : begin + _SLICE]))
        await asyncio.sleep(0)
    return b"".join((*pieces, packer.flush()))


def safe_name(name: str) -> str:
    """A file name that no system and no header takes for anything else: letters, digits, point, dash, underscore."""
    return _NOT_IN_A_NAME.sub("-", name).strip(".-")[:120] or "file"
