"""The vapour above a tank's liquid and the pressure that it stands under: from the site file to their frozen plans."""

from gateway.calculation.plan import PressurePlan, VapourPlan, VapourPressurePlan
from gateway.calculation.vapour.mixture import COMPONENTS, vapour_density
from gateway.errors import LimitError
from gateway.settings.products.densities import BuiltProduct
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked, suggestion
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.optional_models import VapourModel

__all__ = ["VapourPlans"]

_ATMOSPHERE_PA = 101_325.0
_ATMOSPHERES_PA = (50e3, 110e3)
_GREATEST_PRESSURE_PA = 5e6
_LARGEST_ZERO_ERROR_PA = 20e3


class VapourPlans:
    """Builds them for one tank. `product` None: what rests on it is left unchecked."""

    def __init__(
        self,
        checked: Checked[TankModel],
        product: BuiltProduct | None,
        document: Document,
        path: KeyPath,
        mistakes: Mistakes,
        manual: ManualValues,
    ) -> None:
        self._model = checked.model
        self._dropped = checked.dropped
        self._product = product
        self._own: VapourPressurePlan | None = None if product is None else product.plan.vapour_pressure
        self._document = document
        self._path = path
        self._mistakes = mistakes
        self._manual = manual

    def vapour(self) -> VapourPlan | None:
        vapour = self._model.vapour
        if vapour is None:
            return None
        atmosphere = vapour.atmospheric_pressure
        if atmosphere is not None and not _ATMOSPHERES_PA[0] <= atmosphere <= _ATMOSPHERES_PA[1]:
            self._wrong("vapour", "atmospheric_pressure", text="is no pressure of the air; give 50 to 110 kPa")
        atmospheric_pa = _ATMOSPHERE_PA if atmosphere is None else atmosphere
        if vapour.density is not None:
            if atmosphere is not None and self._own is None and self._product is not None:
                self._add("vapour", text="atmospheric_pressure has no effect beside density; leave it out")
            return VapourPlan(vapour.density, atmospheric_pa=atmospheric_pa)
        self._pressure_of_its_own()
        if vapour.component is not None:
            return self._component(vapour.component, atmospheric_pa)
        is_composed = self._own is not None and bool(self._own.curve.components)
        if vapour.equilibrium:
            if not is_composed and self._product is not None:
                text = f"needs the composition of product {self._product.plan.name}: its vapour_pressure.composition"
                self._add("vapour", "equilibrium", text=text)
            return VapourPlan(None, None, None, atmospheric_pa, equilibrium=True)
        return self._molar_mass(vapour, atmospheric_pa, is_composed)

    def pressure(self) -> PressurePlan:
        given = self._model.vapour_pressure
        if given is None:
            return PressurePlan()
        here = "vapour_pressure"
        if not 0.0 < given.greatest <= _GREATEST_PRESSURE_PA:
            self._wrong(here, "greatest", text="is no setting of a relief valve; give more than 0 kPa, at most 5 MPa")
        if not 0.0 <= given.zero_error <= _LARGEST_ZERO_ERROR_PA:
            self._wrong(here, "zero_error", text="is no error of a transmitter's zero; give 0 kPa to 20 kPa")
        return PressurePlan(given.greatest, given.zero_error)

    def _add(self, *keys: str, text: str) -> None:
        self._mistakes.add((*self._path, *keys), text)

    def _wrong(self, *keys: str, text: str) -> None:
        """Report `text` at a key, after the value as it was written."""
        self._add(*keys, text=f"{self._document.text((*self._path, *keys))} {text}")

    def _component(self, name: str, atmospheric_pa: float) -> VapourPlan | None:
        if name not in COMPONENTS:
            text = f"'{name}' is not known; {suggestion(name, COMPONENTS)}; or give molar_mass"
            self._add("vapour", "component", text=text)
            return None
        component = COMPONENTS[name]
        return VapourPlan(None, component.molar_mass, None, atmospheric_pa, component)

    def _molar_mass(self, vapour: VapourModel, atmospheric_pa: float, is_composed: bool) -> VapourPlan:
        molar_mass, factor = vapour.molar_mass or 0.0, vapour.compressibility
        try:
            vapour_density(_ATMOSPHERE_PA, 15.0, molar_mass, 1.0 if factor is None else factor)
        except LimitError as error:
            key = "molar_mass" if error.quantity == "molar mass" else "compressibility"
            self._add("vapour", key, text=str(error))
        if factor is None and not is_composed and self._product is not None:
            text = (
                "is given without compressibility, which is then taken as 1: under pressure the vapour comes out a "
                f"tenth to a third too light, and Uncertain; give it, or product {self._product.plan.name} a "
                "vapour_pressure.composition"
            )
            self._manual.warn((*self._path, "vapour", "molar_mass"), text)
        return VapourPlan(None, molar_mass, factor, atmospheric_pa)

    def _pressure_of_its_own(self) -> None:
        """What vapour by the gas law cannot do without: a pressure that is that of the product's vapour."""
        is_measured = self._model.vapour_pressure is not None or "vapour_pressure" in self._dropped
        product = None if self._product is None else self._product.plan.name
        if self._model.blanketed:
            if self._own is None and product is not None:
                text = "of a blanketed tank is not at the pressure measured; give its density, or product"
                self._add("vapour", text=f"{text} {product} a vapour_pressure")
        elif not is_measured:
            text = "needs vapour_pressure, the instrument that measures it; or give the density of the vapour"
            self._add("vapour", text=text)
        elif self._own is None and product is not None:
            text = "cannot be compared with anything, so a closed isolating valve would not be seen; give product"
            self._manual.warn((*self._path, "vapour_pressure"), f"{text} {product} a vapour_pressure")
