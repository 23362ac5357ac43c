"""Generate the protobuf code beside its .proto, the one way it is done: ``python proto/regenerate.py [--check]``.

Needs exactly the grpcio-tools that the ``dev`` extra pins: generated code demands a runtime no older than its
generator, so the pin is what sets the floors in pyproject.toml.
"""

from __future__ import annotations

import filecmp
import shutil
import sys
import tempfile
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
GENERATED = ("noonmark_pb2.py", "noonmark_pb2.pyi", "noonmark_pb2_grpc.py")


def generate(into: Path) -> Path:
    """Write the generated files below `into`; return their folder. Raises RuntimeError if protoc fails."""
    import grpc_tools
    from grpc_tools import protoc

    well_known = Path(grpc_tools.__file__).parent / "_proto"
    arguments = [
        "protoc",
        f"-Inoonmark/proto={FOLDER}",
        f"-I{well_known}",
        f"--python_out={into}",
        f"--pyi_out={into}",
        f"--grpc_python_out={into}",
        "noonmark/proto/noonmark.proto",
    ]
    if protoc.main(arguments) != 0:
        raise RuntimeError("protoc failed; its message is above")
    return into / "noonmark" / "proto"


def main(arguments: list[str]) -> int:
    """Regenerate, or with ``--check`` say which committed files are out of date (exit 1)."""
    with tempfile.TemporaryDirectory() as temporary:
        fresh = generate(Path(temporary))
        if "--check" not in arguments:
            for name in GENERATED:
                shutil.copyfile(fresh / name, FOLDER / name)
            return 0
        stale = [name for name in GENERATED if not filecmp.cmp(fresh / name, FOLDER / name, shallow=False)]
    for name in stale:
        print(f"proto/{name} is out of date: run python proto/regenerate.py", file=sys.stderr)
    return 1 if stale else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
