"""A tank's shape from the dimensions typed behind `table make` and `table check`."""

import argparse
from collections.abc import Mapping, Sequence

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import (
    Deadwood,
    End,
    EndKind,
    Head,
    LyingCylinder,
    RectangularTank,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
    WithDeadwood,
)
from gateway.calculation.shapes.datum import WithDatum
from gateway.errors import QuantityError, UsageError
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
}
_COMMON = ("datum-height", "heel", "deadwood")
_ENDS = {kind.value.replace(" ", "_"): kind for kind in EndKind}
_LENGTHS = (
    ("diameter", "inside"),
    ("height", "of the shell or the walls; of a vessel with an outward bottom, from its tangent line"),
    ("length", "of a rectangular tank"),
    ("width", "of a rectangular tank"),
    ("tangent-length", "of a lying cylinder, between the tangent lines of its heads"),
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
    group.add_argument("--bottom", choices=list(_ENDS), help="of an upright cylinder; default flat")
    group.add_argument("--top", choices=list(_ENDS), help="of an upright cylinder; default flat")
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
    shape = _with_datum(arguments, _shape(kind, arguments))
    pieces = tuple(_piece(texts) for texts in arguments.deadwood or ())
    return WithDeadwood(shape, pieces) if pieces else shape


def _listed(options: Sequence[str]) -> str:
    return options[0] if len(options) == 1 else f"{', '.join(options[:-1])} and {options[-1]}"


def _with_article(kind: str) -> str:
    words = kind.replace("_", " ")
    words = f"{words} tank" if kind == "rectangular" else words
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _length(arguments: argparse.Namespace, name: str, default: float = 0.0) -> float:
    text = getattr(arguments, name.replace("-", "_"))
    return default if text is None else quantity(name, text, Dimension.LENGTH)


def _number(arguments: argparse.Namespace, name: str, default: float) -> float:
    text = getattr(arguments, name.replace("-", "_"))
    if text is None:
        return default
    try:
        return float(text)
    except ValueError as error:
        raise UsageError(f"--{name}: '{text}' is not a number", f"write for example --{name} {default:g}") from error


def _shape(kind: str, arguments: argparse.Namespace) -> Capacity:
    crown, knuckle = _number(arguments, "crown-ratio", 1.0), _number(arguments, "knuckle-ratio", 0.06)
    match kind:
        case "upright_cylinder":
            return _upright(arguments, crown, knuckle)
        case "lying_cylinder":
            return _lying(arguments, crown, knuckle)
        case "sphere":
            return Sphere(_length(arguments, "diameter"))
        case _:
            return RectangularTank(
                _length(arguments, "length"), _length(arguments, "width"), _length(arguments, "height")
            )


def _upright(arguments: argparse.Namespace, crown: float, knuckle: float) -> Capacity:
    diameter_m, height_m = _length(arguments, "diameter"), _length(arguments, "height")
    bottom = _ENDS[arguments.bottom or "flat"]
    top = _ENDS[arguments.top or "flat"]
    depths = _length(arguments, "bottom-depth"), _length(arguments, "top-depth")
    if bottom is top is EndKind.FLAT and not any(depths):
        return UprightCylinder(diameter_m, height_m)
    return UprightVessel(
        diameter_m, height_m, End(bottom, depths[0], crown, knuckle), End(top, depths[1], crown, knuckle)
    )


def _lying(arguments: argparse.Namespace, crown: float, knuckle: float) -> Capacity:
    diameter_m, tangent_m = _length(arguments, "diameter"), _length(arguments, "tangent-length")
    head = Head(arguments.head)
    if arguments.slope is None:
        if arguments.gauge is not None:
            raise UsageError(
                "--gauge was given without --slope", "where a level cylinder is gauged makes no difference"
            )
        return LyingCylinder(diameter_m, tangent_m, head, crown, knuckle)
    if arguments.gauge is None:
        raise UsageError(
            "--slope was given without --gauge", "say where along the low end it is gauged: --gauge '1.5 m'"
        )
    slope = quantity("slope", arguments.slope, Dimension.RATIO)
    return TiltedCylinder(diameter_m, tangent_m, head, slope, _length(arguments, "gauge"), crown, knuckle)


def _with_datum(arguments: argparse.Namespace, shape: Capacity) -> Capacity:
    datum_m = _length(arguments, "datum-height")
    heel_m3 = 0.0 if arguments.heel is None else quantity("heel", arguments.heel, Dimension.VOLUME)
    return WithDatum(shape, datum_m, heel_m3) if datum_m or heel_m3 else shape


def _piece(texts: Sequence[str]) -> Deadwood:
    volume, low, high = texts
    return Deadwood(
        quantity("deadwood", volume, Dimension.VOLUME),
        quantity("deadwood", low, Dimension.LENGTH),
        quantity("deadwood", high, Dimension.LENGTH),
    )
