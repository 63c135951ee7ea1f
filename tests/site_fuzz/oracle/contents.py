"""What is truly in a tank: the liquid with its density at every height, and its mean temperature by volume."""

from collections.abc import Callable
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from tests.site_fuzz.oracle.corrected import Fixed
from tests.site_fuzz.oracle.entered import fix_entered
from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.oracle.methods import fix
from tests.site_fuzz.states import State
from tests.site_fuzz.tanks import Tank

__all__ = ["Contents", "Layer", "column_mean", "contents"]

_LAYERS = 16


class Layer(NamedTuple):
    """A layer of the liquid: its middle, its share of the volume, its temperature."""

    height: float
    share: float
    celsius: float


class Contents(NamedTuple):
    layers: tuple[Layer, ...]
    mean_c: float
    liquid: Fixed


@lru_cache(maxsize=64)
def contents(tank: Tank, state: State) -> Contents:
    """Raises OutsideError where the product cannot be so."""
    bottom = tank.bottom if state.water is None else max(tank.bottom, state.water)
    layers = _layers(tank, state, bottom)
    mean_c = sum(layer.share * layer.celsius for layer in layers)
    if tank.density is None:
        return Contents(layers, mean_c, fix(tank.product, None))
    gauge_pa = state.vapour_pa if tank.pressurised else 0.0
    liquid = fix_entered(tank, tank.density, state.density, mean_c, gauge_pa)
    return Contents(layers, mean_c, liquid)


def _layers(tank: Tank, state: State, bottom: float) -> tuple[Layer, ...]:
    """Thin slices; the temperature turns at the profile's layer, which is a border of its own."""
    if state.level <= bottom or (not state.profile.per_m and not state.profile.layer_c):
        return (Layer(0.5 * (bottom + state.level), 1.0, state.profile.at(state.level)),)
    volumes = volumes_of(tank)
    edges = _edges(state, bottom)
    held = [volumes.at(each) for each in edges]
    whole = held[-1] - held[0]
    return tuple(
        Layer(0.5 * (low + high), (more - less) / whole, state.profile.at(0.5 * (low + high)))
        for low, high, less, more in zip(edges[:-1], edges[1:], held[:-1], held[1:], strict=True)
    )


def column_mean(state: State, bottom: float, relation: Callable[[float], float]) -> float:
    """Mean by height, from `bottom` to the level, of a relation of the temperature; at the level itself where that is
    no higher.
    """
    if state.level <= bottom:
        return relation(state.profile.at(state.level))
    edges = _edges(state, bottom)
    return sum(
        (high - low) / (state.level - bottom) * relation(state.profile.at(0.5 * (low + high)))
        for low, high in pairwise(edges)
    )


def _edges(state: State, bottom: float) -> list[float]:
    borders = set(np.linspace(bottom, state.level, _LAYERS + 1).tolist())
    if bottom < state.profile.layer_height < state.level:
        borders.add(state.profile.layer_height)
    return sorted(borders)
