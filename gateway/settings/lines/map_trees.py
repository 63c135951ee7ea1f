"""Register maps as trees, before they are checked: joined to what they are based on, repeated signals unrolled.

Each node keeps its place, so that a mistake in an inherited key is reported where that key stands.
"""

from collections.abc import Iterator

from gateway.acquisition.signals.register_map import ValueType
from gateway.errors import SettingsError
from gateway.files import trouble_with
from gateway.resources import config_folder
from gateway.settings.reading.document import Document, KeyPath, Mistakes, read_document
from gateway.settings.reading.fields import whole_number
from gateway.settings.reading.validation import suggestion
from gateway.settings.reading.yaml_tree import ListNode, MappingNode, Node, TextNode

__all__ = ["MapTrees", "unroll"]

_HIGHEST_ADDRESS = 65535
_MOST_REPEATS = 256
_LEFT_OUT = "none"
_WHOLE_SIGNAL = frozenset({"table", "address", "type"})
_ADDRESSES = ("address", "first", "last")


class MapTrees:
    """The maps of a site file and those in `config/instruments`, by name."""

    def __init__(self, document: Document, mistakes: Mistakes) -> None:
        self._document = document
        self._mistakes = mistakes
        maps = document.node(("maps",))
        self._own = dict(maps.items) if isinstance(maps, MappingNode) else {}
        self._joined: dict[str, Node | None] = {}
        self._shipped: dict[str, Document | None] = {}

    @property
    def own(self) -> tuple[str, ...]:
        """Names of the maps of the site file, right or wrong."""
        return tuple(self._own)

    @property
    def names(self) -> set[str]:
        return {*self._own, *(found.stem for found in (config_folder() / "instruments").glob("*.yaml"))}

    def own_base(self, name: str) -> str | None:
        """The map of the site file on which another one is based; None where it is on none of them."""
        node = self._own[name]
        based_on = node.items.get("based_on") if isinstance(node, MappingNode) else None
        word = based_on.text if isinstance(based_on, TextNode) else ""
        return word if word in self._own and word != name else None

    def complete(self, name: str, *, base_is_right: bool) -> bool:
        """Puts a map of the site file in its place, whole. False where it is not: its base is missing, which a mistake
        says, or wrong, which is said there and not again for each map that inherits it."""
        node = self._own_joined(name, ())
        if node is None or not base_is_right:
            return False
        maps = self._document.node(("maps",))
        if isinstance(maps, MappingNode):
            # A copy: what is based on this one may still change how often a signal is repeated.
            maps.items[name] = _copy(node) if isinstance(node, MappingNode) else node
            unroll(self._document, ("maps", name), self._mistakes)
        return True

    def shipped(self, name: str) -> tuple[Document, Mistakes] | None:
        """A map that comes with the program, whole, with a list for its mistakes. None where there is none."""
        joined = self._shipped_joined(name, ())
        if joined is None:
            return None
        document = Document(_copy(joined.root))
        mistakes = Mistakes(document)
        unroll(document, (), mistakes)
        return document, mistakes

    def _own_joined(self, name: str, through: tuple[str, ...]) -> Node | None:
        if name not in self._joined:
            node = self._own[name]
            if isinstance(node, MappingNode):
                path: KeyPath = ("maps", name)
                self._joined[name] = self._with_base(node, name, path, self._mistakes, (*through, name), own=True)
            else:
                self._joined[name] = node
        return self._joined[name]

    def _shipped_joined(self, name: str, through: tuple[str, ...]) -> Document | None:
        if name in self._shipped:
            return self._shipped[name]
        self._shipped[name] = None
        file = config_folder() / "instruments" / f"{name}.yaml"
        if not name or "/" in name or trouble_with(file) is not None:
            return None
        try:
            document, found = read_document(file, {})
        except SettingsError as error:
            self._mistakes.foreign(error.mistakes)
            return None
        mistakes = Mistakes(document)
        root = self._with_base(document.root, name, (), mistakes, (*through, name), own=False)
        self._mistakes.foreign((*found, *mistakes.lines()))
        self._shipped[name] = None if root is None else Document(root)
        return self._shipped[name]

    def _with_base(
        self, node: MappingNode, name: str, path: KeyPath, mistakes: Mistakes, through: tuple[str, ...], *, own: bool
    ) -> MappingNode | None:
        """`node` joined to what it is based on; itself where it is based on nothing."""
        key: KeyPath = (*path, "based_on")
        based_on = node.items.get("based_on")
        if based_on is None:
            if "shift" in node.items:
                mistakes.add((*path, "shift"), "goes with based_on, whose addresses it moves; leave it out")
            return _without(node, "shift")
        word = based_on.text if isinstance(based_on, TextNode) else ""
        # A map of the site file may bear the name of one that comes with the program and be based on that.
        in_site = own and self.own_base(name) is not None
        if in_site and word in through:
            mistakes.add(key, f"goes round in a circle: {', '.join((*through, word))}; base one of them on no other")
            return None
        base: Node | None
        if in_site:
            base = self._own_joined(word, through)
        else:
            document = None if not word or (word in through and not own) else self._shipped_joined(word, through)
            base = None if document is None else document.root
            if base is None and word not in self.names - {name}:
                text = f"there is no register map '{word}'; {suggestion(word, self.names - {name})}"
                mistakes.add(key, text)
        if not isinstance(base, MappingNode):
            return None
        return _join(_moved(base, node, path, mistakes), node, path, mistakes)


def unroll(document: Document, path: KeyPath, mistakes: Mistakes) -> None:
    """Puts as many signals in place of each that is repeated: t, repeated 3 times, is t1, t2 and t3."""
    block = document.node(path)
    signals = block.items.get("signals") if isinstance(block, MappingNode) else None
    if not isinstance(block, MappingNode) or not isinstance(signals, MappingNode):
        return
    whole = MappingNode(signals.place)
    for name, node in signals.items.items():
        here: KeyPath = (*path, "signals", name)
        members = {name: node}
        if isinstance(node, MappingNode) and ("repeat" in node.items or "spacing" in node.items):
            members = dict(_members(name, node, here, mistakes))
        for member, each in members.items():
            if member != name and (member in whole.items or member in signals.items):
                mistakes.add(here, f"repeated it gives a second signal '{member}'; call one of the two something else")
            whole.items[member] = each
            whole.key_places[member] = signals.key_places[name]
    block.items["signals"] = whole


def _members(name: str, node: MappingNode, path: KeyPath, mistakes: Mistakes) -> Iterator[tuple[str, Node]]:
    """The signals that a repeated one stands for, each at its own address, or at its own bit of one register."""
    whole = _without(node, "repeat", "spacing")
    number = _whole_number(node, "repeat", (1, _MOST_REPEATS), path, mistakes)
    spacing = _whole_number(node, "spacing", (1, _HIGHEST_ADDRESS), path, mistakes)
    if "repeat" not in node.items:
        mistakes.add((*path, "spacing"), "goes with repeat, how many there are; leave it out")
    if number is None:
        yield name, whole
        return
    key = "bit" if "bit" in node.items and spacing is None else "address"
    step = spacing or ((_number_in(node.items.get("bits")) or 1) if key == "bit" else _registers(node))
    for index in range(number):
        member = MappingNode(whole.place, dict(whole.items), whole.key_places)
        first = member.items.get(key)
        number_there = _number_in(first)
        if first is not None and number_there is not None:
            member.items[key] = TextNode(first.place, str(number_there + index * step))
        yield f"{name}{index + 1}", member


def _registers(node: MappingNode) -> int:
    """How many addresses one value takes; 1 where its type is wrong, which is reported elsewhere."""
    kind = node.items.get("type")
    if isinstance(kind, TextNode) and kind.text in list(ValueType):
        return ValueType(kind.text).registers
    return 1


def _join(base: MappingNode, change: MappingNode, path: KeyPath, mistakes: Mistakes) -> MappingNode:
    whole = MappingNode(change.place, dict(base.items), dict(base.key_places))
    for key, node in change.items.items():
        if key in ("based_on", "shift"):
            continue
        known = whole.items.get(key)
        if key == "signals" and isinstance(known, MappingNode) and isinstance(node, MappingNode):
            node = _join_signals(known, node, (*path, key), mistakes)
        whole.items[key] = node
        whole.key_places[key] = change.key_places[key]
    return whole


def _join_signals(base: MappingNode, change: MappingNode, path: KeyPath, mistakes: Mistakes) -> MappingNode:
    whole = MappingNode(change.place, dict(base.items), dict(base.key_places))
    # How often a signal is repeated may change too: that first, then what is said of a single one of them.
    for name in sorted(change.items, key=lambda name: name not in base.items):
        node = change.items[name]
        if name not in whole.items:
            _unroll_for(whole, name, path, mistakes)
        known = whole.items.get(name)
        if known is None and isinstance(node, MappingNode) and not node.items.keys() >= _WHOLE_SIGNAL:
            single = [each for each in base.items if each != name and each.rstrip("0123456789") == name]
            if single:
                text = f"one of them is changed alone in what this is based on; change each alone: {', '.join(single)}"
            else:
                text = "is no signal of what this is based on, and a new one needs table, address and type; "
                text += suggestion(name, base.items)
            mistakes.add((*path, name), text)
            continue
        if isinstance(node, TextNode) and node.text == _LEFT_OUT:
            if known is None:
                text = f"there is no signal '{name}' to leave out; {suggestion(name, base.items)}"
                mistakes.add((*path, name), text)
            whole.items.pop(name, None)
            continue
        whole.items[name] = _over(known, node)
        whole.key_places[name] = change.key_places[name]
    return whole


def _unroll_for(signals: MappingNode, name: str, path: KeyPath, mistakes: Mistakes) -> None:
    """Unroll the repeated signal of which `name` is one, so that it can be changed alone."""
    stem = name.rstrip("0123456789")
    node = signals.items.get(stem)
    if stem == name or not isinstance(node, MappingNode) or "repeat" not in node.items:
        return
    members = dict(_members(stem, node, (*path, stem), mistakes))
    if name not in members:
        return
    place = signals.key_places.pop(stem)
    del signals.items[stem]
    for member, each in members.items():
        signals.items[member] = each
        signals.key_places[member] = place


def _over(known: Node | None, node: Node) -> Node:
    """A block of keys changes those that it gives; anything else takes the place of what was there."""
    if not isinstance(known, MappingNode) or not isinstance(node, MappingNode):
        return node
    whole = MappingNode(node.place, dict(known.items), dict(known.key_places))
    for key, each in node.items.items():
        whole.items[key] = _over(known.items.get(key), each)
        whole.key_places[key] = node.key_places[key]
    return whole


def _copy(node: MappingNode) -> MappingNode:
    items = {key: _copy(each) if isinstance(each, MappingNode) else each for key, each in node.items.items()}
    return MappingNode(node.place, items, dict(node.key_places))


def _moved(base: MappingNode, change: MappingNode, path: KeyPath, mistakes: Mistakes) -> MappingNode:
    """The base with every address moved by the `shift` of what is based on it."""
    shift = _whole_number(change, "shift", (-_HIGHEST_ADDRESS, _HIGHEST_ADDRESS), path, mistakes)
    if not shift:
        return base
    moved = MappingNode(base.place, dict(base.items), dict(base.key_places))
    signals, forbidden = base.items.get("signals"), base.items.get("forbidden")
    blocks: list[MappingNode] = []
    if isinstance(signals, MappingNode):
        copies = _copy(signals).items
        moved.items["signals"] = MappingNode(signals.place, copies, dict(signals.key_places))
        blocks += [node for node in copies.values() if isinstance(node, MappingNode)]
    if isinstance(forbidden, ListNode):
        ranges = [_copy(node) if isinstance(node, MappingNode) else node for node in forbidden.items]
        moved.items["forbidden"] = ListNode(forbidden.place, ranges)
        blocks += [node for node in ranges if isinstance(node, MappingNode)]
    for block in blocks:
        for key in _ADDRESSES:
            node = block.items.get(key)
            address = _number_in(node)
            if node is None or address is None:
                continue
            block.items[key] = TextNode(node.place, str(address + shift))
            if not 0 <= address + shift <= _HIGHEST_ADDRESS:
                what = f"moves address {address} ({node.place}) to {address + shift}; addresses are 0 to 65535"
                mistakes.add((*path, "shift"), what)
                return base
    return moved


def _whole_number(
    node: MappingNode, key: str, limits: tuple[int, int], path: KeyPath, mistakes: Mistakes
) -> int | None:
    """The number at a key; None where there is none, or a wrong one, which is a mistake."""
    given = node.items.get(key)
    if given is None:
        return None
    number = _number_in(given)
    if number is None or not limits[0] <= number <= limits[1]:
        text = f"'{given.text}'" if isinstance(given, TextNode) else "a list or a block of keys"
        mistakes.add((*path, key), f"{text} is not a number for this; give {limits[0]} to {limits[1]}")
        return None
    return number


def _number_in(node: Node | None) -> int | None:
    return whole_number(node.text) if isinstance(node, TextNode) else None


def _without(node: MappingNode, *keys: str) -> MappingNode:
    items = {key: each for key, each in node.items.items() if key not in keys}
    return MappingNode(node.place, items, node.key_places)
