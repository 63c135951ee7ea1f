"""Every shape against fluids.geometry.TANK or the integral of its cross-section, and what must hold for all."""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from fluids.geometry import TANK
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

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
from gateway.calculation.shapes.whole import whole_volume
from gateway.errors import LimitError, SettingsError
from tests.calculation.golden_values import GoldenRow, golden_rows

SHARES = st.floats(0.0, 1.0)
CONE, CONE_UP, SLOPED, DISHED = EndKind.CONE, EndKind.CONE_UP, EndKind.SLOPED, EndKind.DISHED

SHAPES: dict[str, Capacity] = {
    "upright": UprightCylinder(18.0, 14.6, 4.2),
    **{f"lying {head}": LyingCylinder(3.0, 10.0, head) for head in Head},
    "lying klopper": LyingCylinder(2.5, 6.0, Head.TORISPHERICAL, knuckle_ratio=0.1),
    "lying korbbogen": LyingCylinder(2.5, 6.0, Head.TORISPHERICAL, 0.8, 0.154),
    "sphere": Sphere(20.0),
    "two hemispheres": LyingCylinder(3.0, 0.0, Head.HEMISPHERICAL),
    "rectangular": RectangularTank(6.0, 2.5, 3.0, 0.4),
    "sloped": UprightVessel(12.0, 10.0, End(SLOPED, 0.4)),
    "coned down": UprightVessel(12.0, 10.0, End(CONE, 0.5), datum_m=0.5),
    "coned up": UprightVessel(12.0, 10.0, End(CONE_UP, 0.3)),
    "dished": UprightVessel(4.0, 5.0, End(DISHED, 0.6), End(DISHED, 0.6)),
    "hopper": UprightVessel(3.0, 4.0, End(CONE, 2.0), End(CONE, 0.5)),
    **{
        f"standing {kind}": UprightVessel(3.0, 6.0, End(kind), End(kind), datum_m=0.2)
        for kind in (EndKind.HEMISPHERICAL, EndKind.ELLIPSOIDAL, EndKind.TORISPHERICAL)
    },
    "deadwood": WithDeadwood(
        UprightVessel(12.0, 10.0, End(CONE, 0.5), datum_m=0.5),
        (Deadwood(3.0, -0.2, 0.8, "coils"), Deadwood(1.5, 0.0, 9.0, "column"), Deadwood(-0.9, 0.6, 1.2, "manhole")),
    ),
    **{f"tilted {head}": TiltedCylinder(3.0, 10.0, head, 0.02, 2.0) for head in Head},
    "tilted steeply": TiltedCylinder(3.0, 4.0, Head.ELLIPSOIDAL, 0.5, 1.0),
}
NAMES = st.sampled_from(sorted(SHAPES))


def by_id(row: GoldenRow) -> str:
    return row.id


def level_at(shape: Capacity, share: float) -> float:
    return min(shape.top_m, shape.bottom_m + share * (shape.top_m - shape.bottom_m))


# ---- against values from outside ----


@pytest.mark.parametrize("row", golden_rows("shapes.csv", "lying"), ids=by_id)
def test_lying(row: GoldenRow) -> None:
    shape = LyingCylinder(row.number("diameter"), row.number("length"), Head(row.inputs["head"]))
    assert shape.volume(row.number("level")) == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shapes.csv", "sphere"), ids=by_id)
def test_sphere(row: GoldenRow) -> None:
    assert Sphere(row.number("diameter")).volume(row.number("level")) == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shapes.csv", "cone_down"), ids=by_id)
def test_coned_down(row: GoldenRow) -> None:
    shape = UprightVessel(row.number("diameter"), 8.0, End(CONE, row.number("depth")))
    assert shape.volume(row.number("level")) == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shapes.csv", "ellipsoid_down"), ids=by_id)
def test_ellipsoidal_bottom(row: GoldenRow) -> None:
    shape = UprightVessel(row.number("diameter"), 8.0, End(EndKind.ELLIPSOIDAL))
    assert shape.volume(row.number("level")) == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shapes.csv", "torispherical_pair"), ids=by_id)
def test_torispherical_heads(row: GoldenRow) -> None:
    heads = LyingCylinder(1.0, 0.0, Head.TORISPHERICAL, row.number("crown"), row.number("knuckle"))
    assert heads.volume(row.number("level")) == pytest.approx(row.value, rel=row.tolerance)


def fluids_head(head: Head, diameter: float, crown: float, knuckle: float) -> tuple[str | None, dict[str, float]]:
    match head:
        case Head.FLAT:
            return None, {}
        case Head.HEMISPHERICAL:
            return "spherical", {"a": diameter / 2}
        case Head.ELLIPSOIDAL:
            return "ellipsoidal", {"a": diameter / 4}
        case Head.TORISPHERICAL:
            return "torispherical", {"f": crown, "k": knuckle}


def fluids_tank(head: Head, diameter: float, length: float, horizontal: bool, crown: float, knuckle: float) -> Any:
    name, parameters = fluids_head(head, diameter, crown, knuckle)
    sides: dict[str, Any] = {f"side{side}_{key}": value for side in "AB" for key, value in parameters.items()}
    return TANK(D=diameter, L=length, horizontal=horizontal, sideA=name, sideB=name, **sides)


DIAMETERS = st.floats(0.8, 6.0)
LENGTHS = st.floats(1.0, 30.0)
# Level shares away from the very ends, where the library itself loses digits.
INSIDE = st.floats(0.002, 0.998)
PROPORTIONS = st.sampled_from([(1.0, 0.06), (1.0, 0.1), (0.8, 0.154), (0.9, 0.1)])


@pytest.mark.outside("fluids 1.3.1, geometry.TANK")
@given(head=st.sampled_from(list(Head)), diameter=DIAMETERS, length=LENGTHS, share=INSIDE, proportions=PROPORTIONS)
def test_lying_cylinders_agree_with_fluids(
    head: Head, diameter: float, length: float, share: float, proportions: tuple[float, float]
) -> None:
    shape = LyingCylinder(diameter, length, head, *proportions)
    tank = fluids_tank(head, diameter, length, True, *proportions)
    # The library's own quadrature leaves 1.7e-8 of a torispherical head's volume at low levels (mpmath rows above).
    allowed = 1e-11 * tank.V_total if head is Head.TORISPHERICAL else 0.0
    expected = tank.V_from_h(share * diameter)
    assert shape.volume(share * diameter) == pytest.approx(expected, rel=1e-9, abs=allowed)
    assert shape.volume(diameter) == pytest.approx(tank.V_total, rel=1e-9)


@pytest.mark.outside("fluids 1.3.1, geometry.TANK")
@given(head=st.sampled_from(list(Head)), diameter=DIAMETERS, length=LENGTHS, share=INSIDE, proportions=PROPORTIONS)
def test_standing_vessels_agree_with_fluids(
    head: Head, diameter: float, length: float, share: float, proportions: tuple[float, float]
) -> None:
    end = End(EndKind(head.value), 0.0, *proportions)
    shape = UprightVessel(diameter, length, end, end)
    tank = fluids_tank(head, diameter, length, False, *proportions)
    assert shape.top_m == pytest.approx(tank.h_max, rel=1e-12)
    assert shape.volume(share * shape.top_m) == pytest.approx(tank.V_from_h(share * shape.top_m), rel=1e-9)


@pytest.mark.outside("fluids 1.3.1, geometry.TANK")
@given(
    kind=st.sampled_from([(CONE, "conical"), (DISHED, "spherical")]),
    diameter=DIAMETERS,
    slenderness=st.floats(0.02, 0.5),
    share=INSIDE,
)
def test_coned_and_dished_vessels_agree_with_fluids(
    kind: tuple[EndKind, str], diameter: float, slenderness: float, share: float
) -> None:
    depth = slenderness * diameter
    shape = UprightVessel(diameter, 5.0, End(kind[0], depth), End(kind[0], depth))
    tank = TANK(D=diameter, L=5.0, horizontal=False, sideA=kind[1], sideB=kind[1], sideA_a=depth, sideB_a=depth)
    assert shape.volume(share * shape.top_m) == pytest.approx(tank.V_from_h(share * shape.top_m), rel=1e-9)


def chord_area(radius: float, height: float) -> float:
    """Area of a circle below a line `height` over its centre: the textbook form, not the one under test."""
    if height <= -radius:
        return 0.0
    if height >= radius:
        return math.pi * radius * radius
    return radius * radius * math.acos(-height / radius) + height * math.sqrt(radius * radius - height * height)


def integral(area: Callable[[float], float], low: float, high: float, corners: list[float]) -> float:
    points = [low, *sorted(c for c in corners if low < c < high), high]
    return math.fsum(quad(area, a, b, epsabs=1e-11, epsrel=1e-12, limit=400)[0] for a, b in pairwise(points))


@pytest.mark.outside("numerical integration of the cross-section, scipy.integrate.quad")
@given(
    kind=st.sampled_from([SLOPED, CONE_UP]),
    diameter=st.floats(2.0, 30.0),
    depth=st.floats(0.05, 1.5),
    share=SHARES,
)
def test_floors_inside_the_shell_agree_with_the_integral(
    kind: EndKind, diameter: float, depth: float, share: float
) -> None:
    shape = UprightVessel(diameter, 3.0, End(kind, depth))
    radius, level = diameter / 2, 3.0 * share

    def area(height: float) -> float:
        part = min(1.0, height / depth)
        if kind is SLOPED:
            return chord_area(radius, radius * (2.0 * part - 1.0))
        return math.pi * radius * radius * (1.0 - (1.0 - part) ** 2)

    expected = integral(area, 0.0, level, [depth])
    assert shape.volume(level) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def head_radius(head: Head, radius: float, x: float) -> float:
    """Outline of a head at `x` from the tangent line, written from its definition."""
    if head is Head.HEMISPHERICAL:
        return math.sqrt(max(0.0, radius * radius - x * x))
    if head is Head.ELLIPSOIDAL:
        return radius * math.sqrt(max(0.0, 1.0 - (2.0 * x / radius) ** 2))
    crown, knuckle = 2.0 * radius, 0.12 * radius
    across = radius - knuckle
    joint = knuckle * math.sqrt(1.0 - (across / (crown - knuckle)) ** 2)
    if x <= joint:
        return across + math.sqrt(knuckle * knuckle - x * x)
    centre = -math.sqrt((crown - knuckle) ** 2 - across * across)
    return math.sqrt(max(0.0, crown * crown - (x - centre) ** 2))


# In diameters; torispherical: a = f D - sqrt((f D - k D)^2 - (D/2 - k D)^2) for f = 1, k = 0.06 is 0.16934 D.
HEAD_DEPTHS = {Head.FLAT: 0.0, Head.HEMISPHERICAL: 0.5, Head.ELLIPSOIDAL: 0.25, Head.TORISPHERICAL: 0.16933761370819256}


@pytest.mark.outside("numerical integration of the cross-section, scipy.integrate.quad")
@pytest.mark.parametrize("head", list(Head))
@pytest.mark.parametrize(("slope", "gauge"), [(0.005, 0.0), (0.02, 3.0), (0.1, 8.0), (0.6, 2.0)])
def test_tilted_cylinders_agree_with_the_integral(head: Head, slope: float, gauge: float) -> None:
    diameter, length = 2.4, 8.0
    shape = TiltedCylinder(diameter, length, head, slope, gauge)
    radius, depth = diameter / 2, HEAD_DEPTHS[head] * diameter
    angle = math.atan(slope)

    for share in (0.0, 0.03, 0.4, 0.77, 1.0):
        level = level_at(shape, share)
        # The surface is horizontal: its height over the axis at `s` along the axis, across the axis.
        surface = gauge * math.sin(angle) - radius * math.cos(angle) + level

        def area(s: float, surface: float = surface) -> float:
            here = radius if 0.0 <= s <= length else head_radius(head, radius, -s if s < 0.0 else s - length)
            return chord_area(here, (surface - s * math.sin(angle)) / math.cos(angle))

        corners = [(surface + side * radius * math.cos(angle)) / math.sin(angle) for side in (-1.0, 1.0)]
        joint = 0.02733
        corners += [0.0, length, -joint * diameter, length + joint * diameter]
        expected = integral(area, -depth, length + depth, corners)
        assert shape.volume(level) == pytest.approx(expected, rel=2e-8 if share == 0.0 else 1e-9, abs=1e-9)


def test_a_barely_tilted_cylinder_is_nearly_a_level_one() -> None:
    level, tilted = LyingCylinder(3.0, 10.0, Head.ELLIPSOIDAL), TiltedCylinder(3.0, 10.0, Head.ELLIPSOIDAL, 1e-5, 5.0)
    for tenth in range(1, 10):
        assert tilted.volume(0.3 * tenth) == pytest.approx(level.volume(0.3 * tenth), rel=1e-7)


@given(head=st.sampled_from(list(Head)), slope=st.floats(1e-4, 0.3), share=st.floats(0.0, 1.0))
def test_a_slope_takes_no_capacity_away(head: Head, slope: float, share: float) -> None:
    """Brim-full a sloping vessel holds what the level one does: the wedge above its highest level counts."""
    level, tilted = LyingCylinder(3.0, 10.0, head), TiltedCylinder(3.0, 10.0, head, slope, 10.0 * share)
    assert whole_volume(level) == level.volume(3.0)
    assert whole_volume(tilted) == pytest.approx(level.volume(3.0), rel=1e-9)
    assert whole_volume(tilted) >= tilted.volume(tilted.top_m) * (1.0 - 1e-12)
    fitted = WithDeadwood(WithDatum(tilted, 0.1, 0.5), (Deadwood(0.02, 0.0, 1.0), Deadwood(0.03, 1.0, 9.0)))
    assert whole_volume(fitted) == pytest.approx(level.volume(3.0) + 0.5 - 0.05, rel=1e-9)


def test_lying_and_standing_heads_hold_the_same() -> None:
    for head in Head:
        end = End(EndKind(head.value))
        standing = UprightVessel(3.0, 10.0, end, end)
        assert LyingCylinder(3.0, 10.0, head).volume(3.0) == pytest.approx(standing.volume(standing.top_m), rel=1e-11)


def test_two_hemispheres_make_a_sphere() -> None:
    for tenth in range(11):
        expected = Sphere(3.0).volume(0.3 * tenth)
        assert SHAPES["two hemispheres"].volume(0.3 * tenth) == pytest.approx(expected, rel=1e-12, abs=1e-15)


# ---- what must hold for every shape ----


@given(name=NAMES, shares=st.tuples(SHARES, SHARES))
def test_volume_never_falls(name: str, shares: tuple[float, float]) -> None:
    shape = SHAPES[name]
    low, high = (level_at(shape, share) for share in sorted(shares))
    # Rounding of the sum, and of a fitted head, against the whole.
    assert shape.volume(low) <= shape.volume(high) + 4e-12 * shape.volume(shape.top_m)


@given(name=NAMES, share=st.floats(0.005, 0.995))
def test_volume_rises_inside(name: str, share: float) -> None:
    shape = SHAPES[name]
    level = level_at(shape, share)
    step = 1e-4 * (shape.top_m - shape.bottom_m)
    assert shape.volume(level + step) > shape.volume(level - step)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_no_jump_at_a_joint_and_a_finite_area(name: str) -> None:
    """Continuity everywhere on a fine grid: no step holds more than the shape's largest surface could."""
    shape = SHAPES[name]
    full, span = shape.volume(shape.top_m), shape.top_m - shape.bottom_m
    for step in range(2000):
        low, high = level_at(shape, step / 2000), level_at(shape, (step + 1) / 2000)
        assert shape.volume(high) - shape.volume(low) >= -4e-12 * full
        assert shape.volume(high) - shape.volume(low) <= 4.0 * full / span * (high - low)


def joints(shape: UprightVessel) -> list[float]:
    lower = UprightVessel(shape.diameter_m, shape.shell_height_m, shape.bottom).top_m - shape.shell_height_m
    edge = shape.bottom.depth_m if lower < 1e-9 else lower
    upper = UprightVessel(shape.diameter_m, shape.shell_height_m, top=shape.top).top_m - shape.shell_height_m
    return [joint for joint in (edge - shape.datum_m, shape.top_m - upper) if 0.0 < joint < shape.top_m]


@pytest.mark.parametrize("name", [name for name, shape in SHAPES.items() if isinstance(shape, UprightVessel)])
def test_volume_and_area_are_continuous_across_head_joints(name: str) -> None:
    shape = SHAPES[name]
    assert isinstance(shape, UprightVessel)
    for joint in joints(shape):
        step = 1e-6
        below, at, above = (shape.volume(joint + side * step) for side in (-1.0, 0.0, 1.0))
        assert at - below > 0.0
        assert above - at > 0.0
        # Ends meet the shell at its full area, so both derivatives are that of the shell.
        area = math.pi * shape.diameter_m**2 / 4.0
        assert (at - below) / step == pytest.approx(area, rel=2e-5)
        assert (above - at) / step == pytest.approx(area, rel=2e-5)


@pytest.mark.parametrize("name", sorted(SHAPES))
@pytest.mark.parametrize("outside", ["below", "above", "nan"])
def test_never_beyond_the_ends(name: str, outside: str) -> None:
    shape = SHAPES[name]
    level = {"below": shape.bottom_m - 1e-6, "above": shape.top_m + 1e-6, "nan": math.nan}[outside]
    words = {"below": "below the lowest level", "above": "above the highest level", "nan": "not a number"}[outside]
    with pytest.raises(LimitError, match=words) as caught:
        shape.volume(level)
    assert caught.value.clause in (shape.clause, shape.clause.removesuffix(", less deadwood"))
    assert shape.volume(shape.bottom_m) <= shape.volume(shape.top_m)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_heel_is_in_every_volume(name: str) -> None:
    shape = SHAPES[name]
    assert shape.heel_m3 >= 0.0
    assert shape.volume(shape.bottom_m) == pytest.approx(shape.heel_m3, rel=1e-12, abs=1e-12)


def test_deadwood_takes_what_it_says() -> None:
    bare = UprightCylinder(10.0, 8.0)
    fitted = WithDeadwood(bare, (Deadwood(2.0, 1.0, 3.0), Deadwood(-0.5, 2.0, 4.0)))
    for level, expected in [(0.5, 0.0), (1.0, 0.0), (2.0, 1.0), (3.0, 2.0 - 0.25), (8.0, 1.5)]:
        assert bare.volume(level) - fitted.volume(level) == pytest.approx(expected, abs=1e-12)


# ---- what is refused ----


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: UprightCylinder(0.0, 5.0), "upright cylinder: diameter is 0 m; it must be greater than zero"),
        (lambda: UprightCylinder(5.0, math.inf), "upright cylinder: height is inf m; it must be greater than zero"),
        (lambda: UprightCylinder(5.0, 5.0, -1.0), "upright cylinder: heel is -1 m3; it must be zero or more"),
        (
            lambda: LyingCylinder(3.0, 0.0, Head.FLAT),
            "lying cylinder: tangent length is 0 m; it must be greater than zero",
        ),
        (
            lambda: LyingCylinder(3.0, 5.0, Head.TORISPHERICAL, 0.4),
            "torispherical head: crown ratio 0.4 and knuckle ratio 0.06; the crown ratio must be 0.5 to 2, the "
            "knuckle ratio 0.01 or more and below 0.5",
        ),
        (lambda: Sphere(-2.0), "sphere: diameter is -2 m; it must be greater than zero"),
        (
            lambda: RectangularTank(1.0, math.nan, 1.0),
            "rectangular tank: width is nan m; it must be greater than zero",
        ),
        (
            lambda: UprightVessel(3.0, 4.0, End(CONE)),
            "upright vessel, bottom: depth of the cone end is 0 m; it must be greater than zero",
        ),
        (
            lambda: UprightVessel(3.0, 4.0, End(EndKind.ELLIPSOIDAL, 0.7)),
            "upright vessel, bottom: the ellipsoidal end takes no depth; it follows from the diameter",
        ),
        (
            lambda: UprightVessel(3.0, 4.0, End(DISHED, 1.6)),
            "upright vessel, bottom: dished end 1.6 m deep; at most half the diameter, 1.5 m",
        ),
        (
            lambda: UprightVessel(3.0, 4.0, top=End(CONE_UP, 0.2)),
            "upright vessel: the cone up end is a bottom; choose another top",
        ),
        (
            lambda: UprightVessel(3.0, 0.5, End(SLOPED, 0.6)),
            "upright vessel: the floor rises 0.6 m in a shell of 0.5 m; it must end below the shell's top",
        ),
        (
            lambda: UprightVessel(3.0, 4.0, datum_m=4.0),
            "upright vessel: datum 4 m above the lowest point; it must be within the vessel, 0 m to 4 m",
        ),
        (
            lambda: TiltedCylinder(3.0, 4.0, Head.FLAT, 0.0, 1.0),
            "tilted cylinder: slope 0; it must be 0.00001 to 1, or the cylinder level",
        ),
        (
            lambda: TiltedCylinder(3.0, 4.0, Head.FLAT, 0.1, 5.0),
            "tilted cylinder: gauge 5 m from the low tangent line; it must be within the shell, 0 m to 4 m",
        ),
        (lambda: Deadwood(1.0, 2.0, 2.0), "deadwood: from 2 m to 2 m; the second level must be the higher"),
        (lambda: Deadwood(math.nan, 1.0, 2.0), "deadwood: volume and both levels must be finite numbers"),
        (
            lambda: WithDeadwood(UprightCylinder(1.0, 2.0), (Deadwood(1.0, 0.5, 1.0),)),
            "upright cylinder, pi D^2/4 h, less deadwood: at 0.505 m the deadwood takes more room than there is; "
            "correct its volume or its levels",
        ),
    ],
)
def test_refuses_dimensions_that_cannot_be(make: Callable[[], Capacity], text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        make()
    assert caught.value.mistakes == (text,)


@pytest.mark.parametrize("bottom", [EndKind.CONE, EndKind.CONE_UP])
def test_a_column_that_stands_in_the_tip_of_a_bottom_takes_no_more_than_there_is(bottom: EndKind) -> None:
    """0.8 m3 over 13 m are 62 mL a millimetre, more than the tip of a cone has: 6.35 mm of it held -93 mL."""
    tank = UprightVessel(20.0, 14.0, End(bottom, depth_m=0.3))
    column = WithDeadwood(tank, (Deadwood(0.8, 0.0, 13.0),))
    levels = [column.bottom_m + 14.0 * 2.0**-halving for halving in range(30, 0, -1)]
    volumes = [column.volume(level) for level in levels]
    assert volumes == sorted(volumes)
    assert volumes[0] >= 0.0
    assert column.volume(7.0) == pytest.approx(tank.volume(7.0) - 0.8 * 7.0 / 13.0, rel=1e-12)
    with pytest.raises(SettingsError, match="the deadwood takes more room than there is"):
        WithDeadwood(tank, (Deadwood(8.0, 0.0, 0.02),))
