"""What is said of temperature elements: why one is left out, and what is odd about one that is used."""

from gateway.calculation.doubts.outliers import outliers
from gateway.calculation.plan import TemperaturePlan
from gateway.records import Input, Reason, ReasonCode, because
from gateway.sentences import sentence

__all__ = ["doubts", "failure", "in_water"]

_NO_VALUE = Reason(ReasonCode.ELEMENT_FAILED, "no value")


def in_water(plan: TemperaturePlan, index: int) -> Reason:
    return because(ReasonCode.ELEMENT_IN_WATER, "{element} is in free water", element=plan.elements[index].name)


def failure(plan: TemperaturePlan, index: int, given: Input) -> Reason:
    name = plan.elements[index].name
    cause = _NO_VALUE if given.reason is None else _without_name(given.reason, name)
    return because(ReasonCode.ELEMENT_FAILED, "{element} left out: {cause}", element=name, cause=cause)


def _without_name(reason: Reason, name: str) -> Reason:
    """What is said of an instrument, told without its name where it begins with that: the name has just been told."""
    if not reason.values:
        # Read from a message, it has its sentence for a phrase, with the name in it.
        return reason._replace(phrase=reason.phrase.removeprefix(f"{name}: "))
    subject, _, rest = reason.phrase.partition(": ")
    return reason._replace(phrase=rest) if rest and sentence(subject, reason.values) == name else reason


def doubts(
    plan: TemperaturePlan, used: list[int], values: list[float], spread_c: float, notes: list[Reason | None]
) -> list[Reason]:
    """What is odd about the values used, each element that is named noted too."""
    found: list[Reason] = []
    limit = plan.outlier_c
    names = [plan.elements[i].name for i in used]
    odd = outliers([plan.elements[i].height_m for i in used], values, limit)
    for position in odd.named:
        named = because(
            ReasonCode.ELEMENT_OUTLIER,
            "{element} at {temperature:degC .1f} is over {limit:apart degC g} from its neighbours",
            element=names[position],
            temperature=values[position],
            limit=limit,
        )
        notes[used[position]] = named
        found.append(named)
    if odd.pair is not None:
        one, other = odd.pair
        pair = because(
            ReasonCode.ELEMENT_OUTLIER,
            "{one} at {one_temperature:degC .1f} and {other} at {other_temperature:degC .1f} differ by over "
            "{limit:apart degC g}, and the others do not tell which is right",
            one=names[one],
            one_temperature=values[one],
            other=names[other],
            other_temperature=values[other],
            limit=limit,
        )
        for position in odd.pair:
            notes[used[position]] = pair
        found.append(pair)
    if spread_c > plan.spread_c:
        wide = because(
            ReasonCode.TEMPERATURE_UNREPRESENTATIVE,
            "elements used differ by {spread:apart degC .1f}, more than {limit:apart degC g}",
            spread=spread_c,
            limit=plan.spread_c,
        )
        found.append(wide)
    return found
