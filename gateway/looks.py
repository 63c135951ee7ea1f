"""What a name may be taken for by whoever reads it.

The letters of other scripts that look like Latin ones are those of Unicode Technical Standard 39 (confusables), as far
as Cyrillic and Greek have them (from memory).
"""

import unicodedata

__all__ = ["in_latin", "seen_as"]

_LATIN = str.maketrans(
    "АВЕЅІЈКМНОРСТУХЗасеорхуіјѕһԁԛԝѵб" + "ΑΒΕΖΗΙΚΜΝΟΡΤΥΧονραι" + "‐‑‒–—―−",
    "ABESIJKMHOPCTYX3aceopxyijshdqwv6" + "ABEZHIKMNOPTYXovpai" + "-------",
)
_ONE_OR_NOUGHT = str.maketrans("Il|Oo", "11100")


def in_latin(text: str) -> str:
    """The same in the Latin letters that its letters look like."""
    return text.translate(_LATIN)


def seen_as(name: str) -> frozenset[str]:
    """What a name may be taken for. Two names that share one of these look alike."""
    plain = unicodedata.normalize("NFKC", name)
    return frozenset({in_latin(plain.upper()).upper(), in_latin(plain).translate(_ONE_OR_NOUGHT).upper()})
