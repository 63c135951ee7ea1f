"""Nodes as asyncua keeps them, made without its services, which take many times as long for the same."""

from functools import cache
from typing import Any

from asyncua import ua
from asyncua.server.address_space import AddressSpace, AttributeValue, NodeData

from gateway.clock import utc_now

__all__ = ["NAMESPACE_INDEX", "NULL", "READ", "READ_HISTORY", "TYPES", "VARIANTS", "NodeMaker", "node_id", "std"]

NAMESPACE_INDEX = 2
_Ids = ua.ObjectIds
_A = ua.AttributeIds
READ = 1
READ_HISTORY = 1 | 4
"""AccessLevel, OPC 10000-3, 8.57: CurrentRead and HistoryRead. No bit to write, anywhere."""
TYPES = {
    "analog": (_Ids.AnalogItemType, _Ids.Double),
    "text": (_Ids.BaseDataVariableType, _Ids.String),
    "count": (_Ids.BaseDataVariableType, _Ids.UInt32),
    "yes": (_Ids.BaseDataVariableType, _Ids.Boolean),
    "time": (_Ids.BaseDataVariableType, _Ids.DateTime),
}
VARIANTS = {
    "analog": ua.VariantType.Double,
    "text": ua.VariantType.String,
    "count": ua.VariantType.UInt32,
    "yes": ua.VariantType.Boolean,
    "time": ua.VariantType.DateTime,
}
NULL = ua.Variant(None, ua.VariantType.Null)


def node_id(text: str) -> ua.NodeId:
    return ua.NodeId(text, NAMESPACE_INDEX)


@cache
def std(number: int) -> ua.NodeId:
    return ua.NodeId(number)


class NodeMaker:
    """Makes nodes and what refers to them, all read only."""

    def __init__(self, address_space: AddressSpace) -> None:
        self._space = address_space

    def valued(self, node: NodeData, data_type: int, level: int) -> AttributeValue:
        historizing = level != READ
        attributes = node.attributes
        attributes[_A.DataType] = _shared(std(data_type), ua.VariantType.NodeId)
        attributes[_A.ValueRank] = _shared(-1, ua.VariantType.Int32)
        attributes[_A.ArrayDimensions] = _shared(None, ua.VariantType.Null)
        attributes[_A.AccessLevel] = _shared(level, ua.VariantType.Byte)
        attributes[_A.UserAccessLevel] = _shared(level, ua.VariantType.Byte)
        attributes[_A.MinimumSamplingInterval] = _shared(0.0, ua.VariantType.Double)
        attributes[_A.Historizing] = _shared(historizing, ua.VariantType.Boolean)
        value = attributes[_A.Value] = AttributeValue(ua.DataValue(NULL))
        return value

    def property_of(
        self,
        parent: ua.NodeId,
        own: ua.NodeId,
        name: ua.QualifiedName,
        kind: str,
        value: Any,
        data_type: int | None = None,
    ) -> None:
        node = self.add(
            own, name, ua.NodeClass.Variable, parent, _Ids.HasProperty, std(_Ids.PropertyType), title=name.Name
        )
        placed = self.valued(node, TYPES[kind][1] if data_type is None else data_type, READ)
        variant = ua.Variant(value, VARIANTS.get(kind, ua.VariantType.ExtensionObject))
        placed.value = ua.DataValue(variant, ua.StatusCode(), utc_now(), utc_now())

    def add(
        self,
        own: ua.NodeId,
        name: str | ua.QualifiedName,
        node_class: ua.NodeClass,
        parent: ua.NodeId,
        reference: int,
        definition: ua.NodeId | None,
        *,
        title: str | None = None,
        description: str = "",
    ) -> NodeData:
        qualified = ua.QualifiedName(name, NAMESPACE_INDEX) if isinstance(name, str) else name
        shown = ua.LocalizedText(title or str(qualified.Name))
        node = NodeData(own)
        node.attributes = {
            _A.NodeId: _fixed(own, ua.VariantType.NodeId),
            _A.NodeClass: _shared(node_class, ua.VariantType.Int32),
            _A.BrowseName: _fixed(qualified, ua.VariantType.QualifiedName),
            _A.DisplayName: _fixed(shown, ua.VariantType.LocalizedText),
            _A.Description: _text(description),
            _A.WriteMask: _shared(0, ua.VariantType.UInt32),
            _A.UserWriteMask: _shared(0, ua.VariantType.UInt32),
        }
        if node_class is ua.NodeClass.Object:
            node.attributes[_A.EventNotifier] = _shared(1, ua.VariantType.Byte)
        elif node_class is ua.NodeClass.ObjectType:
            node.attributes[_A.IsAbstract] = _fixed(False, ua.VariantType.Boolean)
        self._space[own] = node
        self._refers(parent, own, reference, node_class, qualified, shown, definition)
        if definition is not None:
            target = self._space[definition]
            node.references.append(
                _reference(definition, _Ids.HasTypeDefinition, True, ua.NodeClass.Unspecified, *_names(target), None)
            )
        return node

    def notifies(self, source: ua.NodeId, target: ua.NodeId) -> None:
        node = self._space[target]
        self._refers(source, target, _Ids.HasNotifier, ua.NodeClass.Object, *_names(node), None)

    def _refers(
        self,
        source: ua.NodeId,
        target: ua.NodeId,
        kind: int,
        target_class: ua.NodeClass,
        name: ua.QualifiedName,
        title: ua.LocalizedText,
        definition: ua.NodeId | None,
    ) -> None:
        """Both ways."""
        above = self._space[source]
        above.references.append(_reference(target, kind, True, target_class, name, title, definition))
        held = above.attributes[_A.NodeClass].value
        assert held is not None
        assert held.Value is not None
        self._space[target].references.append(
            _reference(source, kind, False, ua.NodeClass(held.Value.Value), *_names(above), None)
        )


@cache
def _shared(value: Any, kind: ua.VariantType) -> AttributeValue:
    """Of all nodes that have it: nothing ever changes it, so that it tells nobody anything."""
    return _fixed(value, kind)


@cache
def _text(text: str) -> AttributeValue:
    return _fixed(ua.LocalizedText(text), ua.VariantType.LocalizedText)


def _fixed(value: Any, kind: ua.VariantType) -> AttributeValue:
    return AttributeValue(ua.DataValue(ua.Variant(value, kind)))


def _names(node: NodeData) -> tuple[ua.QualifiedName, ua.LocalizedText]:
    name, title = node.attributes[_A.BrowseName].value, node.attributes[_A.DisplayName].value
    assert name is not None
    assert title is not None
    assert name.Value is not None
    assert title.Value is not None
    return name.Value.Value, title.Value.Value


def _reference(
    target: ua.NodeId,
    kind: int,
    forward: bool,
    target_class: ua.NodeClass,
    name: ua.QualifiedName,
    title: ua.LocalizedText,
    definition: ua.NodeId | None,
) -> ua.ReferenceDescription:
    return ua.ReferenceDescription(
        ReferenceTypeId=std(kind),
        IsForward=forward,
        NodeId=target,
        BrowseName=name,
        DisplayName=title,
        NodeClass=target_class,
        TypeDefinition=std(_Ids.Null) if definition is None else definition,
    )
