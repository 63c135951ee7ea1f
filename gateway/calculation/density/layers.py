"""That one sample stands for layers: where the liquid is not alike from top to bottom, its density may not be either.

A remark, and no doubt of its own: at reference temperature layers of one product may well be of one density (common
practice). The spread that makes the temperature itself Uncertain makes what follows from it so too.
"""

from gateway.records import Figure, Reason, ReasonCode, because
from gateway.sources import DensitySource

__all__ = ["layers_of_one_sample", "remarked"]

_ONE_SAMPLE = frozenset({DensitySource.REFERENCE, DensitySource.OBSERVED})


def layers_of_one_sample(spread: Figure, flagged_c: float, source: DensitySource) -> Reason | None:
    """What is to be said of density and mass; None: nothing. `spread` of the elements used, degC; `flagged_c`: above
    that the liquid is layered."""
    if spread.value is None or spread.value <= flagged_c or source not in _ONE_SAMPLE:
        return None
    phrase = (
        "one density stands for all, and elements used differ by {spread:apart degC .1f}: a sample of one layer may "
        "not stand for the others"
    )
    return because(ReasonCode.STRATIFIED, phrase, spread=spread.value)


def remarked(figure: Figure, remark: Reason) -> Figure:
    """The same figure, of the same quality, with this said of it."""
    return figure if figure.value is None else figure._replace(reasons=(*figure.reasons, remark))
