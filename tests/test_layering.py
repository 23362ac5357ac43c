"""The arrow, kept true: who may import whom, and what pure files may not touch."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = {
    "agent": ROOT / "agent",
    "collector": ROOT / "collector",
    "proto": ROOT / "proto",
    "lab": ROOT / "deploy/lab",
}
FORBIDDEN = {
    "agent": {"noonmark.collector", "noonmark.lab", "numpy", "scipy"},
    "collector": {"noonmark.agent", "noonmark.lab"},
    "proto": {"noonmark.agent", "noonmark.collector", "noonmark.lab", "numpy", "scipy"},
    "lab": set(),
}
IO_MODULES = {"socket", "asyncio", "grpc", "time", "sqlite3", "prometheus_client", "select", "selectors", "subprocess"}
# A pure file says so in its docstring's first paragraph with the word "Pure"; it may then not touch the world.
SOURCES = [
    path
    for folder in FOLDERS.values()
    for path in sorted(folder.rglob("*.py"))
    if "_pb2" not in path.name and "__pycache__" not in path.parts
]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def folder_of(path: Path) -> str:
    return next(name for name, folder in FOLDERS.items() if path.is_relative_to(folder))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_follow_the_arrow(path: Path) -> None:
    names = imported(path)
    forbidden = FORBIDDEN[folder_of(path)]
    wrong = {name for name in names for bad in forbidden if name == bad or name.startswith(bad + ".")}
    assert not wrong
    bare = {name for name in names if name.split(".")[0] in {"agent", "collector", "proto", "lab"}}
    assert not bare, "import through noonmark.*"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_pure_files_touch_nothing(path: Path) -> None:
    docstring = ast.get_docstring(ast.parse(path.read_text())) or ""
    assert docstring, "every file opens by telling its rules"
    if "Pure" in docstring:
        touched = {name.split(".")[0] for name in imported(path)} & IO_MODULES
        assert not touched
