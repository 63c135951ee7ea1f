"""The messages of Sparkplug B for protobuf, made at import from their table of fields: no compiler is needed.

Numbers and types are those of the specification's table (3.0, section 6.4.1). What is not used here has no row: a
reader skips fields that it does not know. This is the only module that knows how protobuf is told of messages.
"""

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

__all__ = ["DecodeError", "Payload"]

_PACKAGE = "tank_gateway.sparkplug"
_FIELD = descriptor_pb2.FieldDescriptorProto
_TYPES = {
    "bool": _FIELD.TYPE_BOOL,
    "bytes": _FIELD.TYPE_BYTES,
    "double": _FIELD.TYPE_DOUBLE,
    "float": _FIELD.TYPE_FLOAT,
    "string": _FIELD.TYPE_STRING,
    "uint32": _FIELD.TYPE_UINT32,
    "uint64": _FIELD.TYPE_UINT64,
}
_MANY, _VALUE = "many", "value"
"""A field that repeats; one of which a message has only one."""
_MESSAGES: dict[str, tuple[tuple[int, str, str, str], ...]] = {
    "PropertyValue": (
        (1, "type", "uint32", ""),
        (2, "is_null", "bool", ""),
        (3, "int_value", "uint32", _VALUE),
        (4, "long_value", "uint64", _VALUE),
        (5, "float_value", "float", _VALUE),
        (6, "double_value", "double", _VALUE),
        (7, "boolean_value", "bool", _VALUE),
        (8, "string_value", "string", _VALUE),
    ),
    "PropertySet": ((1, "keys", "string", _MANY), (2, "values", "PropertyValue", _MANY)),
    "Metric": (
        (1, "name", "string", ""),
        (2, "alias", "uint64", ""),
        (3, "timestamp", "uint64", ""),
        (4, "datatype", "uint32", ""),
        (5, "is_historical", "bool", ""),
        (6, "is_transient", "bool", ""),
        (7, "is_null", "bool", ""),
        (9, "properties", "PropertySet", ""),
        (10, "int_value", "uint32", _VALUE),
        (11, "long_value", "uint64", _VALUE),
        (12, "float_value", "float", _VALUE),
        (13, "double_value", "double", _VALUE),
        (14, "boolean_value", "bool", _VALUE),
        (15, "string_value", "string", _VALUE),
        (16, "bytes_value", "bytes", _VALUE),
    ),
    "Payload": (
        (1, "timestamp", "uint64", ""),
        (2, "metrics", "Metric", _MANY),
        (3, "seq", "uint64", ""),
        (4, "uuid", "string", ""),
        (5, "body", "bytes", ""),
    ),
}


def _file() -> descriptor_pb2.FileDescriptorProto:
    file = descriptor_pb2.FileDescriptorProto(name=f"{_PACKAGE}.proto", package=_PACKAGE, syntax="proto2")
    for name, fields in _MESSAGES.items():
        message = file.message_type.add(name=name)
        if any(form == _VALUE for *_, form in fields):
            message.oneof_decl.add(name="value")
        for number, field_name, kind, form in fields:
            field = message.field.add(name=field_name, number=number)
            field.label = _FIELD.LABEL_REPEATED if form == _MANY else _FIELD.LABEL_OPTIONAL
            if kind in _TYPES:
                field.type = _TYPES[kind]
            else:
                field.type, field.type_name = _FIELD.TYPE_MESSAGE, f".{_PACKAGE}.{kind}"
            if form == _VALUE:
                field.oneof_index = 0
    return file


def _payload() -> Any:
    pool = descriptor_pool.DescriptorPool()
    pool.Add(_file())
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


Payload: Any = _payload()
"""The message. Its class is made here, so that no type checker knows its fields."""
