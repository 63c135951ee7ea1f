"""The endpoints of the site file: for administrators alone, and with room for files."""

from collections.abc import Mapping
from typing import Any

from gateway.web.interface import site_documents as documents
from gateway.web.interface.endpoint import Endpoint, Parameter

__all__ = ["SITE_ENDPOINTS"]

_LARGEST = 8_400_000
"""Of a body: a site file and tables of 4 MB each, which is the most that either may have."""
_LONGEST_S = 55.0
_WHY = {"type": "string", "minLength": 1, "maxLength": 500}
_HASH = {"type": "string", "pattern": "^[0-9a-f]{64}$", "description": "SHA-256 in hexadecimal digits."}
_TEXT = {"type": "string", "description": "The whole site file."}
_TABLES = {
    "type": "object",
    "description": "New capacity tables that are to lie beside it, each by the name of its file. No table is replaced.",
    "additionalProperties": {"type": "string"},
    "maxProperties": 20,
}
_NUMBER = {"type": "integer", "minimum": 1, "maximum": 999_999}
_PLACE = Parameter("number", "Its number.", {"type": "string", "pattern": "^[0-9]{1,6}$"}, required=True)
_CANNOT = "It cannot be done as things stand, and why."
_MISTAKES = {409: _CANNOT, 422: "The file has mistakes: all of them."}
_BUSY = "One at a time: 503 while another is under way."


def _body(required: tuple[str, ...], **properties: Mapping[str, Any]) -> Mapping[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(required),
        "additionalProperties": False,
    }


SITE_ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint(
        "site-file",
        "GET",
        "/api/1/site-file",
        "The site file in force and as it lies on the disk, what it names, what is proposed and what was before",
        documents.SiteFilePage,
        "Needs an administrator, as all below it does.",
        refusals={409: _CANNOT},
    ),
    Endpoint(
        "site-file-proposal",
        "GET",
        "/api/1/site-file/proposals/{number}",
        "What somebody proposes, whole and checked anew: for whoever is to approve it",
        documents.SiteFileProposal,
        _BUSY,
        path_parameters=(_PLACE,),
        refusals={404: "There is no such proposal, or it waits no more.", 409: _CANNOT},
        longest_s=_LONGEST_S,
    ),
    Endpoint(
        "site-file-version",
        "GET",
        "/api/1/site-file/versions/{number}",
        "The site file as it was",
        documents.SiteFileVersion,
        path_parameters=(_PLACE,),
        refusals={404: "There is no such version, or no longer.", 409: _CANNOT},
    ),
    Endpoint(
        "site-file-check",
        "POST",
        "/api/1/site-file/check",
        "Every mistake of a site file, what it would change, and what would change in today's figures",
        documents.SiteFileCheck,
        "Nothing is done, and nothing is written. Of very many mistakes the first 1000 are told, and how many more "
        "there are. By the code of `tank-gateway check` and of a reload; the newest "
        "input of each tank is calculated by the plan of now and by the other one. It may name files in the folders "
        f"that the site is read from now. {_BUSY}",
        body=_body(("text",), text=_TEXT, tables=_TABLES),
        refusals={409: _CANNOT},
        longest_s=_LONGEST_S,
        largest_bytes=_LARGEST,
    ),
    Endpoint(
        "site-file-table",
        "POST",
        "/api/1/site-file/table",
        "A capacity table, checked as `tank-gateway table check` does and compared with what a tank goes by",
        documents.SiteTableCheck,
        f"Nothing is done, and nothing is written. {_BUSY}",
        body=_body(
            ("tank", "name", "text"),
            tank={"type": "string", "minLength": 1, "maxLength": 200},
            name={"type": "string", "minLength": 1, "maxLength": 100},
            text={"type": "string", "description": "The whole file, CSV."},
        ),
        refusals={404: "There is no such tank.", 409: _CANNOT},
        longest_s=_LONGEST_S,
        largest_bytes=_LARGEST,
    ),
    Endpoint(
        "site-file-propose",
        "POST",
        "/api/1/site-file/propose",
        "Propose another site file: it waits until another person approves it",
        documents.SiteFileAnswer,
        f"`based_on`: SHA-256 of the file on the disk that it was written on. {_BUSY}",
        body=_body(("text", "why", "based_on"), text=_TEXT, tables=_TABLES, why=_WHY, based_on=_HASH),
        refusals=_MISTAKES,
        longest_s=_LONGEST_S,
        largest_bytes=_LARGEST,
    ),
    Endpoint(
        "site-file-roll-back",
        "POST",
        "/api/1/site-file/roll-back",
        "Propose the site file as it was: a proposal like any other",
        documents.SiteFileAnswer,
        _BUSY,
        body=_body(("version", "why"), version=_NUMBER, why=_WHY),
        refusals={404: "There is no such version, or no longer.", **_MISTAKES},
        longest_s=_LONGEST_S,
    ),
    Endpoint(
        "site-file-approve",
        "POST",
        "/api/1/site-file/approve",
        "Approve what somebody else has proposed: it is put in its place and taken over",
        documents.SiteFileAnswer,
        "`sha256`: of the text that was looked at. It is checked anew. Where the gateway cannot take it over, the file "
        f"of before is put back. {_BUSY}",
        body=_body(("proposal", "sha256"), proposal=_NUMBER, sha256=_HASH, why=_WHY),
        refusals={404: "There is no such proposal, or it waits no more.", **_MISTAKES},
        longest_s=_LONGEST_S,
    ),
    Endpoint(
        "site-file-decline",
        "POST",
        "/api/1/site-file/decline",
        "Decline a proposal, or take an own one back: it waits no more, and nothing is done",
        documents.SiteFileAnswer,
        body=_body(("proposal", "why"), proposal=_NUMBER, why=_WHY),
        refusals={404: "There is no such proposal, or it waits no more.", 409: _CANNOT},
    ),
)
