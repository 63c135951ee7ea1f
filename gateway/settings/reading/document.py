"""The site file with the files it includes as one tree, and where in it each mistake stands."""

import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path as FilePath
from typing import Any

from gateway.errors import SettingsError
from gateway.files import UnreadableError
from gateway.files import trouble_with as trouble_on_disk
from gateway.resources import config_folder
from gateway.settings.reading.source_files import SourceFiles
from gateway.settings.reading.yaml_tree import ListNode, MappingNode, Node, Place, TextNode, parse_yaml, plain

__all__ = ["LARGEST_FILE", "Document", "KeyPath", "Mistakes", "dotted", "read_document"]

KeyPath = tuple[str | int, ...]

_DEEPEST_INCLUDE = 8
LARGEST_FILE = 4_000_000
"""In bytes."""
_LARGEST_TOGETHER = 8_000_000
"""Of YAML, in which a thousand tanks take some 0.4 MB; read in ten seconds on a small machine."""
_SECTION = re.compile(
    r"^[\s{\"']*(?:site|lines|maps|instruments|products|tanks|delivery|web|watch|include)[\"']?\s*:(?:\s|$)",
    re.MULTILINE,
)
"""What every part of a site file has. A file without is shown to nobody: it may be any that this user can read."""
_LINE_OF = re.compile(r"(.*?):(\d+): ")


def dotted(path: KeyPath) -> str:
    """`tanks.TK-101.temperature.elements[2].height`, counting list items from 1 as people do."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


class Document:
    """A tree of a site file with its includes merged; finds nodes and places by path."""

    def __init__(self, root: MappingNode, files: SourceFiles | None = None) -> None:
        self.root = root
        self.files = SourceFiles() if files is None else files
        """By which other files that it names are read."""

    def node(self, path: KeyPath) -> Node | None:
        node: Node | None = self.root
        for part in path:
            node = _child(node, part)
            if node is None:
                return None
        return node

    def text(self, path: KeyPath) -> str:
        """The scalar at `path` as it was written; empty where there is none."""
        node = self.node(path)
        return node.text if isinstance(node, TextNode) else ""

    def data(self, path: KeyPath) -> Any:
        node = self.node(path)
        return None if node is None else plain(node)

    def place(self, path: KeyPath) -> Place:
        """Where the key at `path` stands; for a key that is missing, where its nearest parent stands."""
        place = self.root.place
        node: Node | None = self.root
        for part in path:
            if isinstance(node, MappingNode) and isinstance(part, str) and part in node.items:
                place = node.key_places[part]
                node = node.items[part]
            elif isinstance(node, ListNode) and isinstance(part, int) and part < len(node.items):
                node = node.items[part]
                place = node.place
            else:
                break
        return place

    def folder(self, path: KeyPath) -> FilePath:
        """The folder from which a file named at `path` counts: that of the file that names it."""
        return FilePath(self.place(path).file).parent


class Mistakes:
    """Gathers every mistake of a site file, so that all are reported at once in the order of the file."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._found: list[tuple[Place, str]] = []
        self._foreign: list[str] = []

    @property
    def count(self) -> int:
        return len(self._found) + len(self._foreign)

    def add(self, path: KeyPath, text: str) -> None:
        """`text` says what is wrong and what would be right; file, line and key are put before it."""
        self._found.append((self._document.place(path), f"{dotted(path)}: {text}"))

    def foreign(self, lines: Iterable[str]) -> None:
        """Whole lines about other files, such as a register map or a capacity table."""
        self._foreign.extend(lines)

    def lines(self) -> tuple[str, ...]:
        """Every mistake once, file by file in the order of their lines."""
        texts = dict.fromkeys([*(f"{place}: {text}" for place, text in self._found), *self._foreign])
        places = {text: _LINE_OF.match(text) for text in texts}
        files = list(dict.fromkeys(match.group(1) for match in places.values() if match is not None))

        def order(text: str) -> tuple[int, int]:
            match = places[text]
            return (len(files), 0) if match is None else (files.index(match.group(1)), int(match.group(2)))

        return tuple(sorted(texts, key=order))


def read_document(
    path: FilePath, overrides: Mapping[str, str], *, part: bool = False, files: SourceFiles | None = None
) -> tuple[Document, list[str]]:
    """Read a site file with its includes and put the overrides in. Returns the mistakes that leave a tree to check.

    `part`: a file that another names, of whose text nothing is told unless it is a part of a site file. `files`: by
    which it is read; those of the disk where it is None.

    Raises SettingsError where a file cannot be read or is not YAML.
    """
    files = SourceFiles() if files is None else files
    reading = _Reading(path, files, part=part)
    root = reading.read(path, ())
    for key, value in overrides.items():
        if not _override(root, key, value):
            text = f"{path}: override {key}: the site file has no such value; give the path of a value in it"
            reading.mistakes.append(text)
    return Document(root, files), reading.mistakes


class _Reading:
    """A site file and what it includes, which lies in its own folder or in one that it names."""

    def __init__(self, site: FilePath, files: SourceFiles, *, part: bool) -> None:
        self.mistakes: list[str] = []
        self._files = files
        self._site = site
        self._is_part = part
        self._folders = [_resolved(site.parent), _resolved(config_folder())]
        self._left_bytes = _LARGEST_TOGETHER

    def read(self, path: FilePath, including: tuple[FilePath, ...]) -> MappingNode:
        """The tree of one file, joined with those it includes. Raises SettingsError."""
        try:
            text = self._files.text(path, LARGEST_FILE)
        except UnreadableError as error:
            raise SettingsError((str(error),)) from error
        self._left_bytes -= len(text)
        if self._left_bytes < 0:
            limit = f"{_LARGEST_TOGETHER / 1e6:g} MB"
            raise SettingsError((f"{path}: with it the site has more than {limit}, which none needs; split the site",))
        if (including or self._is_part) and not _SECTION.search(text):
            raise SettingsError((f"{path}: is no part of a site file: it has none of its sections",))
        root, found = parse_yaml(text, str(path))
        self.mistakes.extend(found)
        if not including:
            self._folders += self._named_folders(root, path)
        include = root.items.pop("include", None)
        if include is not None:
            for item in include.items if isinstance(include, ListNode) else [include]:
                self._include(item, root, path, including)
        return root

    def _named_folders(self, root: MappingNode, path: FilePath) -> list[FilePath]:
        """Of `include_from`, which counts in the site file alone: what is included cannot let in more."""
        node = root.items.pop("include_from", None)
        if node is None:
            return []
        folders = []
        for item in node.items if isinstance(node, ListNode) else [node]:
            if isinstance(item, TextNode) and item.text:
                folders.append(_resolved(path.parent / item.text))
            else:
                self.mistakes.append(f"{node.place}: include_from: give a folder or a list of folders")
        return folders

    def _include(self, item: Node, root: MappingNode, path: FilePath, including: tuple[FilePath, ...]) -> None:
        if not isinstance(item, TextNode) or not item.text:
            self.mistakes.append(f"{item.place}: include: give a file name or a list of file names")
            return
        target = path.parent / item.text
        trouble = self._files.trouble_with(target)
        if trouble is not None and trouble_on_disk(config_folder() / item.text) is None:
            target, trouble = config_folder() / item.text, None
        place = f"{item.place}: include: "
        if not any(_resolved(target).is_relative_to(folder) for folder in self._folders):
            self.mistakes.append(
                f"{place}{target} lies outside the folder of the site file; move it there, or name its folder in "
                f"include_from of {self._site.name}"
            )
        elif trouble is not None:
            self.mistakes.append(place + trouble.sentence)
        elif _resolved(target) in {_resolved(known) for known in (*including, path)}:
            self.mistakes.append(f"{place}{item.text} includes itself; take one of the includes out")
        elif len(including) >= _DEEPEST_INCLUDE:
            self.mistakes.append(f"{place}more than {_DEEPEST_INCLUDE} files deep; include it from the top")
        else:
            try:
                included = self.read(target, (*including, path))
            except SettingsError as error:
                self.mistakes.extend(error.mistakes)
            else:
                _merge(root, included, (), self.mistakes)


def _resolved(path: FilePath) -> FilePath:
    """Where the path leads, links followed."""
    return FilePath(os.path.realpath(path))


def _merge(into: MappingNode, other: MappingNode, path: KeyPath, mistakes: list[str]) -> None:
    """Join the sections of two files: `tanks` of both become one; a tag may stand in one of them only."""
    for key, node in other.items.items():
        known = into.items.get(key)
        place = other.key_places[key]
        if known is None:
            into.items[key] = node
            into.key_places[key] = place
        elif not path and isinstance(known, MappingNode) and isinstance(node, MappingNode):
            _merge(known, node, (key,), mistakes)
        else:
            first = into.key_places[key]
            mistakes.append(f"{place}: {dotted((*path, key))}: is already given at {first}; keep one of the two")


def _override(root: MappingNode, key: str, value: str) -> bool:
    """Tags may hold dots, so a step may take several of the parts."""

    def step(node: Node, parts: list[str]) -> bool:
        if not parts:
            if isinstance(node, TextNode):
                node.text = value
                return True
            return False
        for count in range(1, len(parts) + 1):
            name = ".".join(parts[:count])
            child = _child(node, int(name) - 1 if isinstance(node, ListNode) and name.isdigit() else name)
            if child is not None and step(child, parts[count:]):
                return True
        return False

    return step(root, key.replace("[", ".").replace("]", "").split("."))


def _child(node: Node | None, part: str | int) -> Node | None:
    if isinstance(node, MappingNode) and isinstance(part, str):
        return node.items.get(part)
    if isinstance(node, ListNode) and isinstance(part, int) and 0 <= part < len(node.items):
        return node.items[part]
    return None
