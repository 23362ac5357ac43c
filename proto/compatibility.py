"""Whether a later form of the protocol can speak with an earlier one: their descriptors compared. Pure.

The rules are protobuf's own ("Updating A Message Type", protobuf.dev): a number once given to a field keeps its name,
type and label for ever; a field that goes leaves its number and name reserved. Beside them, for programs of adjacent
versions: no call, message or enumerator that was released goes, and a field's presence stays what it was.

`python proto/compatibility.py` compares the code here with every descriptor in `released/`, and exits 1 with one line a
break; `--release` writes the present one there, when a version is published.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from google.protobuf.descriptor_pb2 import (
    DescriptorProto,
    EnumDescriptorProto,
    FieldDescriptorProto,
    FileDescriptorProto,
    ServiceDescriptorProto,
)

RELEASED = Path(__file__).resolve().parent / "released"


def breaks(old: FileDescriptorProto, new: FileDescriptorProto) -> list[str]:
    """What a program of one form and one of the other would misunderstand; empty where nothing."""
    if old.package != new.package:
        return [f"package {old.package} is now {new.package}: every call's name changes"]
    return [
        *_messages(old.package, old.message_type, new.message_type),
        *_enums(old.package, old.enum_type, new.enum_type),
        *_services(old.service, new.service),
    ]


def _messages(scope: str, old: object, new: object) -> Iterator[str]:
    later: dict[str, DescriptorProto] = {item.name: item for item in new}  # type: ignore[attr-defined]
    earlier: DescriptorProto
    for earlier in old:  # type: ignore[attr-defined]
        name = f"{scope}.{earlier.name}"
        message = later.get(earlier.name)
        if message is None:
            yield f"{name} is gone"
            continue
        yield from _fields(name, earlier, message)
        yield from _messages(name, earlier.nested_type, message.nested_type)
        yield from _enums(name, earlier.enum_type, message.enum_type)


def _fields(scope: str, old: DescriptorProto, new: DescriptorProto) -> Iterator[str]:
    later = {field.number: field for field in new.field}
    for reserved in old.reserved_range:
        for number in later:
            if reserved.start <= number < reserved.end:
                yield f"{scope}: number {number}, given up before, is {later[number].name} now"
    for field in old.field:
        name = f"{scope}.{field.name}"
        present = later.get(field.number)
        if present is None:
            kept = any(span.start <= field.number < span.end for span in new.reserved_range)
            if not (kept and field.name in new.reserved_name):
                yield f"{name} is gone: reserve its number {field.number} and its name"
            continue
        if present.name != field.name:
            yield f"{name}: its number {field.number} is {present.name}'s now"
        elif _kind(present) != _kind(field):
            yield f"{name}: was {_kind(field)}, is {_kind(present)}"
        elif _choice(new, present) != _choice(old, field):
            yield f"{name}: belonged to {_choice(old, field) or 'no choice'}, now {_choice(new, present) or 'to none'}"


def _kind(field: FieldDescriptorProto) -> str:
    label = FieldDescriptorProto.Label.Name(field.label).removeprefix("LABEL_").lower()
    kind = FieldDescriptorProto.Type.Name(field.type).removeprefix("TYPE_").lower()
    if field.proto3_optional:
        label = "explicitly optional"
    packed = " unpacked" if field.options.HasField("packed") and not field.options.packed else ""
    return f"{label} {kind}{field.type_name}{packed}"


def _choice(message: DescriptorProto, field: FieldDescriptorProto) -> str:
    """Name of the oneof that a field belongs to; empty for none, and for the one that `optional` stands for."""
    if not field.HasField("oneof_index") or field.proto3_optional:
        return ""
    return message.oneof_decl[field.oneof_index].name


def _enums(scope: str, old: object, new: object) -> Iterator[str]:
    later: dict[str, EnumDescriptorProto] = {item.name: item for item in new}  # type: ignore[attr-defined]
    earlier: EnumDescriptorProto
    for earlier in old:  # type: ignore[attr-defined]
        name = f"{scope}.{earlier.name}"
        if earlier.name not in later:
            yield f"{name} is gone"
            continue
        values = {value.number: value.name for value in later[earlier.name].value}
        for value in earlier.value:
            if values.get(value.number) != value.name:
                yield f"{name}: {value.number} was {value.name}, is {values.get(value.number, 'nothing')}"


def _services(old: object, new: object) -> Iterator[str]:
    later: dict[str, ServiceDescriptorProto] = {item.name: item for item in new}  # type: ignore[attr-defined]
    earlier: ServiceDescriptorProto
    for earlier in old:  # type: ignore[attr-defined]
        if earlier.name not in later:
            yield f"service {earlier.name} is gone"
            continue
        calls = {call.name: call for call in later[earlier.name].method}
        for call in earlier.method:
            present = calls.get(call.name)
            if present is None:
                yield f"call {earlier.name}.{call.name} is gone"
                continue
            for what in ("input_type", "output_type", "client_streaming", "server_streaming"):
                was, now = getattr(call, what), getattr(present, what)
                if was != now:
                    yield f"call {earlier.name}.{call.name}: {what.replace('_', ' ')} was {was}, is {now}"


def present() -> FileDescriptorProto:
    """The descriptor of the code here."""
    from noonmark.proto import noonmark_pb2

    found = FileDescriptorProto()
    noonmark_pb2.DESCRIPTOR.CopyToProto(found)
    return found


def released() -> dict[str, FileDescriptorProto]:
    """The descriptors of published versions, by version."""
    return {path.stem: FileDescriptorProto.FromString(path.read_bytes()) for path in sorted(RELEASED.glob("*.binpb"))}


def main(arguments: list[str]) -> int:
    """Compare, or with ``--release`` keep the present form under the present version."""
    if "--release" in arguments:
        from noonmark.proto.version import VERSION

        RELEASED.mkdir(exist_ok=True)
        (RELEASED / f"{VERSION}.binpb").write_bytes(present().SerializeToString(deterministic=True))
        return 0
    found = [f"since {version}: {text}" for version, old in released().items() for text in breaks(old, present())]
    for line in found:
        print(line, file=sys.stderr)
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
