"""The protocol against its released forms, and each rule of the comparison against a change that breaks it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from google.protobuf.descriptor_pb2 import (
    DescriptorProto,
    EnumDescriptorProto,
    FieldDescriptorProto,
    FileDescriptorProto,
)

from noonmark.proto import compatibility
from noonmark.proto.compatibility import breaks, present, released

Change = Callable[[FileDescriptorProto], object]


def message(file: FileDescriptorProto, name: str) -> DescriptorProto:
    (found,) = [item for item in file.message_type if item.name == name]
    return found


def field(file: FileDescriptorProto, name: str, of: str) -> FieldDescriptorProto:
    (found,) = [item for item in message(file, of).field if item.name == name]
    return found


def enumeration(file: FileDescriptorProto, name: str) -> EnumDescriptorProto:
    (found,) = [item for item in file.enum_type if item.name == name]
    return found


def drop(items: object, name: str) -> None:
    place = [item.name for item in items].index(name)  # type: ignore[attr-defined]
    del items[place]  # type: ignore[attr-defined]


def assign(target: object, key: str, value: object) -> None:
    setattr(target, key, value)


def test_it_speaks_with_every_released_form() -> None:
    assert released(), "at least one form was released"
    assert {version: breaks(old, present()) for version, old in released().items()} == {key: [] for key in released()}
    assert compatibility.main([]) == 0


def test_additions_break_nothing() -> None:
    new = present()
    new.message_type.add(name="Later").field.add(name="more", number=1, type=9, label=1)
    message(new, "Hello").field.add(name="later", number=4000, type=9, label=1)
    new.service[0].method.add(name="Later", input_type=".noonmark.v1.Later", output_type=".noonmark.v1.Later")
    new.enum_type[0].value.add(name="LATER", number=99)
    assert breaks(present(), new) == []


CHANGES: dict[str, tuple[Change, str]] = {
    "another package": (lambda new: assign(new, "package", "noonmark.v2"), "package noonmark.v1"),
    "a message gone": (lambda new: drop(new.message_type, "Peer"), ".Peer is gone"),
    "a field gone": (lambda new: drop(message(new, "Hello").field, "zone"), "Hello.zone is gone: reserve its number 5"),
    "a number reused": (lambda new: assign(field(new, "zone", "Hello"), "name", "site"), "number 5 is site's now"),
    "another type": (
        lambda new: assign(field(new, "zone", "Hello"), "type", 12),
        "was optional string, is optional by",
    ),
    "another label": (lambda new: assign(field(new, "zone", "Hello"), "label", 3), "is repeated string"),
    "another message": (
        lambda new: assign(field(new, "endpoint", "Peer"), "type_name", ".noonmark.v1.Hello"),
        "is optional message.noonmark.v1.Hello",
    ),
    "presence": (
        lambda new: assign(field(new, "offset_ns", "HostEstimate"), "proto3_optional", False),
        "was explicitly optional sint64",
    ),
    "out of a choice": (
        lambda new: field(new, "hello", "AgentMessage").ClearField("oneof_index"),
        "belonged to body, now to none",
    ),
    "packing": (
        lambda new: assign(field(new, "t1_delta", "RecordBatch").options, "packed", False),
        "is repeated sint64 unpacked",
    ),
    "an enumerator's name": (
        lambda new: assign(enumeration(new, "ReferenceState").value[1], "name", "OTHER"),
        "1 was FREE_RUN, is OTHER",
    ),
    "an inner enumerator gone": (
        lambda new: drop(message(new, "ClockEvent").enum_type[0].value, "STEP"),
        "1 was STEP, is nothing",
    ),
    "an enumeration gone": (lambda new: drop(new.enum_type, "HostState"), ".HostState is gone"),
    "a service gone": (lambda new: drop(new.service, "Query"), "service Query is gone"),
    "a call gone": (lambda new: drop(new.service[1].method, "Span"), "call Query.Span is gone"),
    "a call's answer": (
        lambda new: assign(new.service[1].method[0], "output_type", ".noonmark.v1.SpanReply"),
        "call Query.Fleet: output type was .noonmark.v1.FleetReply",
    ),
    "a call's stream": (
        lambda new: assign(new.service[0].method[0], "client_streaming", False),
        "call Reports.Report: client streaming was True",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_each_break_is_named(name: str) -> None:
    change, expected = CHANGES[name]
    new = present()
    change(new)
    (found,) = breaks(present(), new)
    assert expected in found


def test_a_field_may_go_if_its_number_and_name_stay_reserved_and_never_come_back() -> None:
    new = present()
    hello = message(new, "Hello")
    drop(hello.field, "zone")
    hello.reserved_range.add(start=5, end=6)
    hello.reserved_name.append("zone")
    assert breaks(present(), new) == []
    again = present()
    message(again, "Hello").field[4].name = "site"
    assert any("number 5, given up before, is site now" in text for text in breaks(new, again))
