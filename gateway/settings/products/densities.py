"""Products with their correction methods, and which density is in force for a tank."""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.binding import ManualValue
from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.rounding import by_its_standard
from gateway.calculation.plan import AirBuoyancy, DensityWindow, ProductPlan
from gateway.errors import GatewayError
from gateway.settings.lines.plans import declared_names
from gateway.settings.products.base import CONVENTIONAL, ProductModel, Rounding
from gateway.settings.products.entered import EnteredDensities, plain_density
from gateway.settings.products.mixtures import SolutionProduct
from gateway.settings.products.models import METHODS
from gateway.settings.products.tables import with_table
from gateway.settings.products.vapour import vapour_pressure_plan
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import suggestion, validate
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel

__all__ = ["BuiltProduct", "Densities", "ProductDefaults", "plain_density"]


class ProductDefaults(NamedTuple):
    """What the site says for every product that does not say otherwise."""

    rounding: Rounding = Rounding.NONE
    buoyancy: AirBuoyancy = CONVENTIONAL


class BuiltProduct(NamedTuple):
    plan: ProductPlan
    nominal: ManualValue | None
    """The product's own density at reference temperature, dated or not."""
    has_density: bool
    """Whether the file gives one, right or wrong."""
    method_word: str
    """Its `method` as the file has it."""
    buoyancy: AirBuoyancy


class Densities:
    """Builds the products and picks the density of each tank, gathering mistakes."""

    def __init__(
        self,
        document: Document,
        mistakes: Mistakes,
        manual: ManualValues,
        defaults: ProductDefaults,
        built: Mapping[str, BuiltProduct | None] | None = None,
    ) -> None:
        """`built`: the products by name, where they are known."""
        self._document = document
        self._mistakes = mistakes
        self._entered = EnteredDensities(document, mistakes, manual, origin="site file")
        self._defaults = defaults
        self._declared = declared_names(document, "products")
        self._products = {name: self._build(name) for name in self._declared} if built is None else built

    def of_the_same_products(self, document: Document, mistakes: Mistakes, manual: ManualValues) -> "Densities":
        """For the tanks of another tree with the same products, which are not built again."""
        return Densities(document, mistakes, manual, self._defaults, self._products)

    def product(self, name: str, path: KeyPath) -> BuiltProduct | None:
        if name not in self._products:
            self._mistakes.add(path, f"there is no product '{name}'; {suggestion(name, self._declared)}")
            return None
        return self._products[name]

    def of_tank(
        self, tank: TankModel, product: BuiltProduct, path: KeyPath, *, is_needed: bool = True
    ) -> tuple[ManualValue | None, ManualValue | None]:
        """(reference density, observed density) in force for the tank; at most one of the two.

        Not `is_needed`: a method that cannot do without may be given one elsewhere.
        """
        method = product.plan.method
        entry = tank.density
        if entry is None:
            measured = tank.measured_density is not None and tank.measured_density.in_use
            if is_needed and method.needs_density and not product.has_density and not measured:
                text = f"is missing; product {product.plan.name} gives no reference_density, so the tank must"
                self._mistakes.add((*path, "density"), text)
            return product.nominal, None
        return self._entered.of_tank(entry, product.plan, (*path, "density"))

    def _build(self, name: str) -> BuiltProduct | None:
        path: KeyPath = ("products", name)
        data = self._document.data(path)
        if not isinstance(data, dict):
            self._mistakes.add(path, "is empty or not a block of keys; give at least method")
            return None
        word = data.get("method")
        if word is None:
            self._mistakes.add((*path, "method"), f"is missing; {suggestion('', METHODS)}")
            return None
        if not isinstance(word, str) or word not in METHODS:
            word = word if isinstance(word, str) else "a list or a block of keys"
            self._mistakes.add((*path, "method"), f"'{word}' is not known; {suggestion(word, METHODS)}")
            return None
        entry = METHODS[word]
        checked = validate(entry.model, self._document, path, self._mistakes)
        if checked is None:
            return None
        before = self._mistakes.count
        model: ProductModel | None = checked.model
        if checked.dropped:
            return None
        if isinstance(model, SolutionProduct):
            model = with_table(model, self._document, path, self._mistakes)
        if model is None:
            return None
        self._check_solute(model, path)
        buoyancy = self._defaults.buoyancy if model.weight_in_air is None else model.weight_in_air.plan()
        try:
            method = self._rounded(entry.correction(model, buoyancy), model, path)
        except GatewayError as error:
            self._mistakes.add(path, str(error))
            return None
        own = None
        if model.vapour_pressure is not None:
            here: KeyPath = (*path, "vapour_pressure")
            own = vapour_pressure_plan(model.vapour_pressure, self._document, here, self._mistakes)
        window = self._window(model, method, path)
        plan = ProductPlan(name, method, model.dissolved, vapour_pressure=own, density_window=window)
        nominal = self._nominal(model, plan, path)
        if self._mistakes.count != before:
            return None
        return BuiltProduct(plan, nominal, model.reference_density is not None, word, buoyancy)

    def _rounded(self, method: CorrectionMethod, model: ProductModel, path: KeyPath) -> CorrectionMethod:
        if (model.rounding or self._defaults.rounding) is Rounding.NONE:
            return method
        rounded = by_its_standard(method)
        if rounded is method and model.rounding is Rounding.STANDARD:
            text = "'standard': the source of this method prescribes no rounding; give none, or leave it out"
            self._mistakes.add((*path, "rounding"), text)
        return rounded

    def _check_solute(self, model: ProductModel, path: KeyPath) -> None:
        if model.solute_fraction is not None and not 0.0 < model.solute_fraction <= 1.0:
            here: KeyPath = (*path, "solute_fraction")
            text = f"{self._document.text(here)} is no part of a solution; give more than 0 % and at most 100 %"
            self._mistakes.add(here, text)

    def _window(self, model: ProductModel, method: CorrectionMethod, path: KeyPath) -> DensityWindow | None:
        given = model.density_window
        if given is None:
            return None
        here: KeyPath = (*path, "density_window")
        if not method.needs_density:
            self._mistakes.add(here, "the method takes the density from temperature; leave it out")
            return None
        if method.reference_temperature_c is None:
            text = (
                "holds at reference temperature, and the product has none; give reference_temperature, or leave it out"
            )
            self._mistakes.add(here, text)
            return None
        return DensityWindow(given.lowest, given.highest)

    def _nominal(self, model: ProductModel, plan: ProductPlan, path: KeyPath) -> ManualValue | None:
        entry = model.reference_density
        if entry is None:
            return None
        here: KeyPath = (*path, "reference_density")
        if not plan.method.needs_density:
            self._mistakes.add(here, "the method takes the density from temperature; leave it out")
            return None
        return self._entered.at_reference(entry, plan, here)
