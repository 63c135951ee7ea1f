"""A tank of the site file as it would be with another product: built by the same code, and so refused in its words."""

from collections.abc import Callable, Mapping
from datetime import datetime

from gateway.errors import SettingsError
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.fields import read_instant
from gateway.settings.reading.validation import validate
from gateway.settings.reading.yaml_tree import MappingNode, Node, TextNode
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.plans import TankBuilder, TankSetup

__all__ = ["BuilderOf", "OtherProducts"]

BuilderOf = Callable[[Document, Mistakes, ManualValues], TankBuilder]
_SAMPLES = ("density", "sediment_water")
"""Keys of a tank that tell of its contents, and hold for no others."""


class OtherProducts:
    """Of one site file that was found right. Reads no file: what it named is as it was then."""

    def __init__(
        self, document: Document, tanks: Mapping[str, TankSetup], builder_of: BuilderOf, warnings: tuple[str, ...]
    ) -> None:
        """`warnings`: what is known of the site file anyhow."""
        self._document = document
        self._tanks = tanks
        self._builder_of = builder_of
        self._warnings = frozenset(warnings)

    def setup(
        self,
        tank: str,
        product: str,
        now: datetime,
        *,
        since: datetime | None = None,
        density: Mapping[str, str] | None = None,
        density_elsewhere: bool = False,
    ) -> tuple[TankSetup, tuple[str, ...]]:
        """The tank with that product, and what is not wrong and should be known.

        Its samples in the site file hold where they are of the same product and not older than `since`. `density`: a
        block in their place; with `density_elsewhere` one may come from somewhere else, and is not missed.
        Raises SettingsError with every mistake, KeyError for a tank that is not in the site file.
        """
        before = self._tanks[tank]
        path: KeyPath = ("tanks", tank)
        document = self._changed(path, product, since, density)
        mistakes = Mistakes(document)
        warnings: list[str] = []
        builder = self._builder_of(document, mistakes, ManualValues(document, mistakes, warnings, now))
        checked = validate(TankModel, document, path, mistakes)
        built = None
        if checked is not None:
            built = builder.build(tank, checked, before, density_elsewhere=density_elsewhere)
        if built is None or mistakes.count:
            raise SettingsError(mistakes.lines())
        return built, tuple([each for each in warnings if each not in self._warnings])

    def older_samples(self, tank: str, since: datetime) -> bool:
        """Whether the site file has a sample of the tank's contents from before that."""
        return any(self._is_older(("tanks", tank), key, since) for key in _SAMPLES)

    def _is_older(self, path: KeyPath, key: str, since: datetime) -> bool:
        text = self._document.text((*path, key, "entered"))
        return bool(text) and read_instant(text) < since

    def _changed(
        self, path: KeyPath, product: str, since: datetime | None, density: Mapping[str, str] | None
    ) -> Document:
        """The tree with another product in one tank; all else is shared with the one that was read."""
        tank = self._document.node(path)
        assert isinstance(tank, MappingNode), "the site file was found right"
        place = tank.key_places["product"]
        items: dict[str, Node] = {**tank.items, "product": TextNode(place, product)}
        is_other = product != self._document.text((*path, "product"))
        for key in _SAMPLES:
            if is_other or (since is not None and self._is_older(path, key, since)):
                items.pop(key, None)
        if density is not None:
            block: dict[str, Node] = {key: TextNode(place, text) for key, text in density.items()}
            items["density"] = MappingNode(place, block, dict.fromkeys(block, place))
        changed = MappingNode(tank.place, items, {**tank.key_places, "density": place})
        tanks = self._document.node(path[:1])
        assert isinstance(tanks, MappingNode)
        root = self._document.root
        named = MappingNode(tanks.place, {**tanks.items, str(path[1]): changed}, tanks.key_places)
        return Document(MappingNode(root.place, {**root.items, "tanks": named}, root.key_places))
