"""A tank's shape from the dimensions typed behind `table make` and `table check`."""

import argparse
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import Head
from gateway.errors import QuantityError, UsageError
from gateway.settings.tanks.shape_models import BottomKind, TankShape, TopKind, VesselKind, capacity_of
from gateway.units.quantity import Dimension, parse_quantity

__all__ = ["KINDS", "add_shape", "quantity", "shape_of"]

# kind -> (options it needs, options it may have). What every kind may have is in _COMMON.
KINDS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "upright_cylinder": (
        ("diameter", "height"),
        ("bottom", "bottom-depth", "top", "top-depth", "crown-ratio", "knuckle-ratio"),
    ),
    "lying_cylinder": (
        ("diameter", "tangent-length", "head"),
        ("slope", "gauge", "crown-ratio", "knuckle-ratio"),
    ),
    "sphere": (("diameter",), ()),
    "rectangular": (("length", "width", "height"), ()),
    "standing_vessel": (
        ("diameter", "tangent-length", "bottom", "top"),
        ("bottom-depth", "top-depth", "crown-ratio", "knuckle-ratio"),
    ),
}
_COMMON = ("datum-height", "heel", "deadwood")
_BOTTOMS = [*(kind.value for kind in BottomKind), "cone"]
"""Those of a site file; `cone` for one that points down, as it is called where no other is in question."""
_SHAPE: TypeAdapter[TankShape] = TypeAdapter(Annotated[TankShape, Field(discriminator="kind")])
_KEYS = {
    "diameter": "diameter",
    "height": "height",
    "length": "length",
    "width": "width",
    "tangent-length": "tangent_length",
    "head": "head",
    "datum-height": "datum",
    "heel": "heel",
    "bottom": "bottom",
    "bottom-depth": "bottom_depth",
    "top": "top",
    "slope": "slope",
    "gauge": "gauge_from_low_end",
    "crown-ratio": "crown_ratio",
    "knuckle-ratio": "knuckle_ratio",
}
"""Of each option: the key of a site file."""
_PLAIN = frozenset({"diameter", "height", "length", "width", "tangent_length", "head", "datum", "heel"})
_TAGS = frozenset(kind.value for kind in VesselKind)
_LENGTHS = (
    ("diameter", "inside"),
    ("height", "of the shell or the walls; of a vessel with an outward bottom, from its tangent line"),
    ("length", "of a rectangular tank"),
    ("width", "of a rectangular tank"),
    ("tangent-length", "of a lying cylinder or a standing vessel, between the tangent lines of its ends"),
    ("bottom-depth", "of a sloped, coned or dished bottom"),
    ("top-depth", "of a coned or dished top"),
    ("gauge", "of a tilted cylinder: from its low tangent line to the gauge"),
    ("datum-height", "of the table's zero above the lowest inside point; what lies below is heel"),
)


def add_shape(parser: argparse.ArgumentParser, *, required: bool) -> None:
    """The options that describe a shape; `shape_of` reads them."""
    group = parser.add_argument_group("shape", "inside dimensions, each with its unit")
    group.add_argument("--kind", choices=list(KINDS), required=required)
    for name, text in _LENGTHS:
        group.add_argument(f"--{name}", metavar="LENGTH", help=text)
    group.add_argument("--bottom", choices=_BOTTOMS, help="of an upright tank; default flat")
    group.add_argument("--top", choices=[kind.value for kind in TopKind], help="of an upright tank; default flat")
    group.add_argument("--head", choices=[head.value for head in Head], help="both ends of a lying cylinder")
    group.add_argument("--slope", metavar="RATIO", help="rise of a lying cylinder along its length, for example `1 %%`")
    group.add_argument("--crown-ratio", metavar="NUMBER", help="torispherical: crown radius over diameter; default 1")
    group.add_argument(
        "--knuckle-ratio", metavar="NUMBER", help="torispherical: knuckle radius over diameter; default 0.06"
    )
    group.add_argument("--heel", metavar="VOLUME", help="beside the shape, below the datum: a sump")
    group.add_argument(
        "--deadwood",
        nargs=3,
        action="append",
        metavar=("VOLUME", "FROM", "TO"),
        help="what stands inside, evenly between two levels above the datum; negative for what adds room; may be "
        "repeated",
    )


def quantity(option: str, text: str, dimension: Dimension) -> float:
    """What was typed behind `option`, in SI. Raises UsageError naming the option."""
    try:
        return parse_quantity(text, dimension)
    except QuantityError as error:
        raise UsageError(f"--{option}: {error}", error.hint) from error


def shape_of(arguments: argparse.Namespace) -> Capacity | None:
    """The shape that was typed; None where none was.

    Raises UsageError for an option that is missing or that the kind has no use for, SettingsError for dimensions that
    cannot be.
    """
    kind: str | None = arguments.kind
    every = dict.fromkeys(name for needed, more in KINDS.values() for name in (*needed, *more))
    given = [name for name in (*every, *_COMMON) if getattr(arguments, name.replace("-", "_")) is not None]
    if kind is None:
        if given:
            raise UsageError(f"--{given[0]} was given without --kind", f"--kind {', '.join(KINDS)}")
        return None
    needed, more = KINDS[kind]
    missing = [f"--{name}" for name in needed if name not in given]
    if missing:
        raise UsageError(f"--kind {kind} needs {_listed(missing)}", None)
    foreign = [name for name in given if name not in (*needed, *more, *_COMMON)]
    if foreign:
        takes = ", ".join(f"--{name}" for name in (*needed, *more, *_COMMON))
        raise UsageError(f"--{foreign[0]}: {_with_article(kind)} has none", f"it takes {takes}")
    return capacity_of(_checked(_block(kind, arguments)))


def _listed(options: Sequence[str]) -> str:
    return options[0] if len(options) == 1 else f"{', '.join(options[:-1])} and {options[-1]}"


def _with_article(kind: str) -> str:
    words = kind.replace("_", " ")
    words = f"{words} tank" if kind == "rectangular" else words
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _block(kind: str, arguments: argparse.Namespace) -> dict[str, Any]:
    """What was typed, as the shape would stand in a site file."""
    typed = {name: text for name in _KEYS if (text := getattr(arguments, name.replace("-", "_"), None)) is not None}
    block = {key: typed[name] for name, key in _KEYS.items() if key in _PLAIN and name in typed}
    ratios = {_KEYS[name]: typed[name] for name in ("crown-ratio", "knuckle-ratio") if name in typed}
    block["kind"] = kind
    if arguments.deadwood:
        block["deadwood"] = [
            dict(zip(("volume", "lowest", "highest"), texts, strict=True)) for texts in arguments.deadwood
        ]
    if kind in ("upright_cylinder", "standing_vessel"):
        ends = {end: _end(end, arguments, ratios) for end in ("bottom", "top")}
        if kind == "standing_vessel":
            return block | ends
        if arguments.top is None and arguments.top_depth is None:
            return block | ({"bottom": ends["bottom"]} if "bottom" in typed or "bottom-depth" in typed else {})
        # Between two ends it is a vessel, whose length is that between its tangent lines.
        block["tangent_length"] = block.pop("height")
        return block | ends | {"kind": "standing_vessel"}
    if kind == "lying_cylinder":
        block |= ratios
        if arguments.slope is None and arguments.gauge is not None:
            raise UsageError(
                "--gauge was given without --slope", "where a level cylinder is gauged makes no difference"
            )
        if arguments.slope is not None:
            if arguments.gauge is None:
                raise UsageError(
                    "--slope was given without --gauge", "say where along the low end it is gauged: --gauge '1.5 m'"
                )
            block["tilt"] = {"slope": arguments.slope, "gauge_from_low_end": arguments.gauge}
    return block


def _end(end: str, arguments: argparse.Namespace, ratios: dict[str, str]) -> dict[str, str]:
    kind = getattr(arguments, end) or "flat"
    depth = getattr(arguments, f"{end}_depth")
    made = {"kind": "cone_down" if (end, kind) == ("bottom", "cone") else kind}
    return made | ({} if depth is None else {"depth": depth}) | (ratios if kind == "torispherical" else {})


def _checked(block: Mapping[str, Any]) -> TankShape:
    """Through the same models as a site file. Raises UsageError that names the option."""
    try:
        return _SHAPE.validate_python(block)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        place = [part for part in detail["loc"] if isinstance(part, str) and part not in _TAGS]
        raise UsageError(f"--{_option(place)}: {detail['msg']}", None) from error


def _option(place: Sequence[str]) -> str:
    if not place:
        return "kind"
    if place[0] in ("bottom", "top") and place[-1] == "depth":
        return f"{place[0]}-depth"
    if place[0] == "deadwood":
        return "deadwood"
    return next((name for name, key in _KEYS.items() if key == place[-1]), place[-1])
