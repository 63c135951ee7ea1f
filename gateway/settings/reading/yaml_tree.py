"""YAML text to plain mappings, lists and texts with the line of each, read strictly.

Every scalar stays text: YAML 1.1 would read `no` as false, `12:00` as 720 and `0x10` as 16. Keys may not be repeated.
Anchors, aliases, merge keys, tags and several documents in one file are refused: each value stands where it is used.
"""

import re
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import yaml

from gateway.errors import SettingsError

__all__ = ["ListNode", "MappingNode", "Node", "Place", "TextNode", "parse_yaml", "plain"]

# libyaml where PyYAML was built with it: some ten times faster on a site of a thousand tanks.
_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_DEEPEST = 32
_LINE_END = re.compile(r"\r\n|[\r\n\x85\u2028\u2029]")
"""As YAML 1.1 counts lines."""


class Place(NamedTuple):
    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(slots=True)
class TextNode:
    place: Place
    text: str


@dataclass(slots=True)
class ListNode:
    place: Place
    items: "list[Node]" = field(default_factory=list)


@dataclass(slots=True)
class MappingNode:
    place: Place
    items: "dict[str, Node]" = field(default_factory=dict)
    key_places: dict[str, Place] = field(default_factory=dict)


Node = TextNode | ListNode | MappingNode


def plain(node: Node) -> Any:
    """The node as dict, list and str."""
    if isinstance(node, TextNode):
        return node.text
    if isinstance(node, ListNode):
        return [plain(item) for item in node.items]
    return {key: plain(value) for key, value in node.items.items()}


def parse_yaml(text: str, file: str) -> tuple[MappingNode, list[str]]:
    """The top mapping of a YAML text and the mistakes that do not stop the reading, such as repeated keys.

    Raises SettingsError where the text is not YAML or its top is not a mapping.
    """
    foreign = yaml.reader.Reader.NON_PRINTABLE.search(text)
    if foreign is not None:
        line = len(_LINE_END.findall(text, 0, foreign.start())) + 1
        sign = f"U+{ord(foreign.group()):04X}"
        raise SettingsError((f"{file}:{line}: holds the control character {sign}; take it out",))
    reader = _Reader(text, file)
    try:
        node = reader.document()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark is not None else 1
        raise SettingsError((f"{file}:{line}: is not valid YAML: {error.problem or error.context}",)) from error
    if not isinstance(node, MappingNode):
        raise SettingsError((f"{node.place}: holds no keys at its top; begin with `site:`",))
    return node, reader.mistakes


class _Reader:
    def __init__(self, text: str, file: str) -> None:
        self._loader = _Loader(text)
        self._file = file
        self._depth = 0
        self.mistakes: list[str] = []

    def document(self) -> Node:
        try:
            self._expect(yaml.StreamStartEvent)
            if self._loader.check_event(yaml.StreamEndEvent):
                return TextNode(Place(self._file, 1), "")
            self._expect(yaml.DocumentStartEvent)
            node = self._node("")
            self._expect(yaml.DocumentEndEvent)
            if not self._loader.check_event(yaml.StreamEndEvent):
                place = self._place(self._loader.peek_event())
                self.mistakes.append(f"{place}: begins a second document with `---`; give one site per file")
            return node
        finally:
            self._loader.dispose()

    def _expect(self, kind: type[yaml.Event]) -> None:
        event = self._loader.get_event()
        if not isinstance(event, kind):  # pragma: no cover - the parser's own grammar rules it out
            raise AssertionError(f"{event} where {kind.__name__} belongs")

    def _place(self, event: Any) -> Place:
        return Place(self._file, event.start_mark.line + 1)

    def _wrong(self, place: Place, key: str, text: str) -> None:
        self.mistakes.append(f"{place}: {key}: {text}" if key else f"{place}: {text}")

    def _node(self, path: str) -> Node:
        self._depth += 1
        try:
            return self._node_within(path)
        finally:
            self._depth -= 1

    def _node_within(self, path: str) -> Node:
        event = self._loader.get_event()
        place = self._place(event)
        if self._depth > _DEEPEST:
            raise SettingsError((f"{place}: is nested more than {_DEEPEST} deep; a site file needs eight at most",))
        if isinstance(event, yaml.AliasEvent):
            self._wrong(place, path, f"*{event.anchor} is an alias; write the value out where it is used")
            return TextNode(place, f"*{event.anchor}")
        if event.anchor is not None:
            self._wrong(place, path, f"&{event.anchor} is an anchor; write the value out where it is used")
        if event.tag is not None and event.tag != "!":
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            self._wrong(place, path, f"{tag} is a YAML tag; leave it out, every value is read as text")
        if isinstance(event, yaml.ScalarEvent):
            return TextNode(place, event.value.strip())
        if isinstance(event, yaml.SequenceStartEvent):
            items = ListNode(place)
            while not self._loader.check_event(yaml.SequenceEndEvent):
                items.items.append(self._node(f"{path}[{len(items.items) + 1}]"))
            self._loader.get_event()
            return items
        return self._mapping(place, path)

    def _mapping(self, place: Place, path: str) -> MappingNode:
        mapping = MappingNode(place)
        while not self._loader.check_event(yaml.MappingEndEvent):
            key = self._node(path)
            name = key.text if isinstance(key, TextNode) else ""
            here = f"{path}.{name}" if path else name
            value = self._node(here)
            if not isinstance(key, TextNode):
                self._wrong(key.place, path, "a key must be one word, not a list or a mapping")
            elif name == "<<":
                self._wrong(key.place, path, "<< is a merge key; write the values out where they are used")
            elif name in mapping.items:
                first = mapping.key_places[name].line
                self._wrong(key.place, here, f"is already given in line {first}; keep one of the two")
            else:
                mapping.items[name] = value
                mapping.key_places[name] = key.place
        self._loader.get_event()
        return mapping
