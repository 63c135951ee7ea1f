"""Pure: in which form somebody takes an answer."""

import re

__all__ = ["takes_gzip"]


def takes_gzip(accepted: str) -> bool:
    """By the header Accept-Encoding (RFC 9110, section 12.5.3): a weight of 0 refuses."""
    for each in accepted.lower().split(","):
        coding, *parameters = [part.strip() for part in each.split(";")]
        if coding == "gzip":
            return not any(re.fullmatch(r"q=0(\.0*)?", parameter) for parameter in parameters)
    return False
