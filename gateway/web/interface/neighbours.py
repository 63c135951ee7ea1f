"""What stands beside these endpoints under the same address: who is signed in, and the live view. Described with the
rest; served by `web.access` and `web.stream`.
"""

from collections.abc import Mapping
from typing import Any

from gateway.web.interface.endpoint import Endpoint, Parameter

__all__ = ["NEIGHBOURS"]

_TEXT = {"type": "string", "maxLength": 4096}
_SESSION: Mapping[str, Any] = {
    "type": "object",
    "description": "Who is signed in and what that one may do.",
    "properties": {
        "person": {
            "oneOf": [
                {"type": "null"},
                {
                    "type": "object",
                    "properties": {
                        "name": {"type": "string"},
                        "role": {"enum": ["viewer", "operator", "technician", "accountant", "administrator"]},
                        "signature": {"type": "string", "description": "As entries and the audit trail have it."},
                    },
                    "required": ["name", "role", "signature"],
                },
            ]
        },
        "may": {"type": "array", "items": {"type": "string"}, "description": "Words of actions."},
        "view_without_sign_in": {"type": "boolean"},
        "proof": {"type": "string", "description": "For the header X-Page-Proof of what changes something."},
        "ends": {"type": ["string", "null"], "description": "When somebody has to sign in anew."},
        "provider": {
            "type": "object",
            "description": "By whom people may sign in beside name and password; absent where there is none.",
            "properties": {
                "name": {"type": "string", "description": "Behind the @ of those who come so."},
                "page": {"type": "string", "description": "The origin at which that begins and ends."},
            },
            "required": ["name", "page"],
        },
        "trouble": {"type": "string"},
    },
    "required": ["person", "may", "view_without_sign_in", "proof", "ends"],
}
_PEOPLE = {
    "type": "object",
    "description": "As the command `people` gives it with --json.",
    "properties": {"code": {"enum": [0, 1, 2]}, "lines": {"type": "array", "items": {"type": "string"}}},
    "required": ["code", "lines"],
}
_ENTERING = {
    409: "It cannot be done.",
    413: "The body is too long.",
    415: "The body is said to be something else than JSON.",
    422: "It was asked wrongly.",
    429: "Too many tries: Retry-After says when again.",
}


def _texts(*names: str) -> Mapping[str, Any]:
    return {
        "type": "object",
        "properties": dict.fromkeys(names, _TEXT),
        "required": list(names),
        "additionalProperties": False,
    }


NEIGHBOURS: tuple[Endpoint, ...] = (
    Endpoint("session", "GET", "/api/1/session", "Who is signed in", _SESSION),
    Endpoint(
        "sign-in",
        "POST",
        "/api/1/sign-in",
        "Sign in: the answer sets the cookie of the session",
        _SESSION,
        body=_texts("name", "password"),
        refusals=_ENTERING,
    ),
    Endpoint(
        "sign-out",
        "POST",
        "/api/1/sign-out",
        "Sign out, on request everywhere",
        _SESSION,
        body={"type": "object", "properties": {"everywhere": {"type": "boolean"}}},
        refusals=_ENTERING,
    ),
    Endpoint(
        "join",
        "POST",
        "/api/1/join",
        "By a one-time code become one of the people of this gateway",
        _SESSION,
        body=_texts("code", "name", "password"),
        refusals=_ENTERING,
    ),
    Endpoint(
        "go-to-provider",
        "POST",
        "/api/1/go-to-provider",
        "Where to send the browser to sign in by the provider of the site; a cookie is set until it is back",
        {"type": "object", "properties": {"address": {"type": "string"}}, "required": ["address"]},
        body={"type": "object", "additionalProperties": False},
        refusals=_ENTERING,
    ),
    Endpoint(
        "come-back",
        "POST",
        "/api/1/come-back",
        "Sign in by the query that the provider gave the browser on its way back",
        _SESSION,
        body=_texts("answer"),
        refusals=_ENTERING,
    ),
    Endpoint(
        "password",
        "POST",
        "/api/1/password",
        "Change the own password; every other session ends",
        _SESSION,
        body=_texts("old", "new"),
        refusals=_ENTERING,
    ),
    Endpoint("people", "GET", "/api/1/people", "Who may sign in; for administrators", _PEOPLE),
    Endpoint(
        "change-people",
        "POST",
        "/api/1/people",
        "Invite somebody, give another role, lock out; for administrators",
        _PEOPLE,
        body={"type": "object", "properties": {"action": {"type": "string"}}, "required": ["action"]},
        refusals=_ENTERING,
    ),
    Endpoint("site", "GET", "/api/1/site", "What is fixed until the site file changes", "tank-gateway/page-site/1"),
    Endpoint("view", "GET", "/api/1/view", "The live view", "tank-gateway/view/1"),
    Endpoint(
        "live",
        "GET",
        "/api/1/live",
        "The live view and its changes as they come, as server-sent events",
        {"type": "string"},
        "Events `view`, `change`, `site` and `pulse`; with `after`, or the header Last-Event-ID, from there on.",
        query=(Parameter("after", "The id of the last event that the viewer has.", {"type": "string"}),),
        refusals={429: "So many look already: Retry-After says when again."},
        media_types=("text/event-stream",),
    ),
)
