"""A density that a person gives, in the site file or while the gateway runs: checked against its product."""

from dataclasses import replace

from gateway.binding import ManualValue
from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.density.entered import EnteredDensity, KnownDensity, at_reference
from gateway.calculation.plan import ProductPlan
from gateway.errors import GatewayError, LimitError
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.fields import plain_text
from gateway.settings.tanks.entries import AT_REFERENCE, AT_TANK, DensityEntry, ReadBy
from gateway.settings.tanks.manual import ManualValues
from gateway.units.quantity import Quantity

__all__ = ["EnteredDensities", "plain_density"]

# Whatever a tank's temperature is, it is somewhere here: a density that fits at none of these fits nowhere.
_TRIED_C = tuple(sorted((float(temperature_c) for temperature_c in range(-160, 201, 5)), key=lambda c: abs(c - 15.0)))


def plain_density(density: Quantity | None, path: KeyPath, mistakes: Mistakes) -> None:
    """Refuse degAPI and SG where the density does not hold at 60 degF."""
    wrong = None if density is None else plain_text(density)
    if wrong is not None:
        mistakes.add(path, wrong)


class EnteredDensities:
    """Makes manual values of densities, gathering mistakes. `origin`: where they stand."""

    def __init__(self, document: Document, mistakes: Mistakes, manual: ManualValues, *, origin: str) -> None:
        self._document = document
        self._mistakes = mistakes
        self._manual = manual
        self._origin = origin

    def of_tank(
        self, entry: DensityEntry, product: ProductPlan, path: KeyPath
    ) -> tuple[ManualValue | None, ManualValue | None]:
        """(reference density, observed density) of a tank's own contents: at most one of the two."""
        if not product.method.needs_density:
            text = f"product {product.name} takes its density from temperature; leave it out"
            self._mistakes.add(path, text)
            return None, None
        if entry.at == AT_TANK:
            plain_density(entry.value, path, self._mistakes)
            self._check_at_tank(entry.value.value, product.method, path)
            text = "tank holds no longer than the temperature stays; better give the one at which it was observed"
            self._manual.warn((*path, "at"), f"{text}, for example at: 20 degC")
            return None, self._sample(entry, KnownDensity(entry.value.value, None), path)
        return self.at_reference(entry, product, path), None

    def at_reference(self, entry: DensityEntry, product: ProductPlan, path: KeyPath) -> ManualValue | None:
        """The entry in kg/m3 at reference temperature; None where a mistake was found."""
        reference_c = product.method.reference_temperature_c
        at_c = reference_c if entry.at == AT_REFERENCE else entry.at
        given = EnteredDensity(
            entry.value, at_c if isinstance(at_c, float) else None, entry.by is ReadBy.HYDROMETER, entry.made_for
        )
        try:
            known = at_reference(product, given)
        except GatewayError as error:
            self._mistakes.add(path, str(error))
            return None
        return self._sample(entry, known, path)

    def _sample(self, entry: DensityEntry, known: KnownDensity, path: KeyPath) -> ManualValue | None:
        """`known` with the dates of its entry."""
        built = self._manual.build(entry, known.value, path, origin=self._origin, sample=True, undated_allowed=True)
        if built is None:
            return None
        if built.entered is None:
            self._manual.warn(path, "has no date, so results are Uncertain; give value, entered and expires")
        built = replace(built, how=known.how)
        if known.doubt is None:
            return built
        self._manual.warn(path, f"results are Uncertain: {known.doubt.text}")
        return replace(built, doubt=known.doubt)

    def _check_at_tank(self, value: float, method: CorrectionMethod, path: KeyPath) -> None:
        """Refuse a density at tank temperature that the method takes at no temperature."""
        refusals: list[LimitError] = []
        for temperature_c in _TRIED_C:
            try:
                method.from_observed_density(value, temperature_c, 0.0)
            except LimitError as error:
                refusals.append(error)
            else:
                return
        self._mistakes.add(path, f"{self._document.text((*path, 'value'))} fits at no temperature: {refusals[0]}")
