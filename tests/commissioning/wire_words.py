"""Values as devices put them on the wire, written with `struct` alone: nothing of the gateway's decoding is used."""

import struct

__all__ = ["on_the_wire"]

_CODES = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
}


def on_the_wire(kind: str, order: str, value: float) -> list[int]:
    """The register words of `value`. CDAB: registers reversed; BADC: the bytes of each swapped; DCBA: both."""
    code = _CODES[kind]
    data = struct.pack(f">{code}", value if code in "fd" else int(value))
    words = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]
