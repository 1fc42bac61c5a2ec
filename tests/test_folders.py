"""Which folder may import what: the generator stands alone but for record types, errors and configuration."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SHARED = {"pipeline.records", "pipeline.errors", "pipeline.configuration"}
SCREENING_ONLY = ("imagehash", "fastapi", "uvicorn", "onnxruntime", "rapidocr")
BLOCKED = """
import sys

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {names!r}:
            raise ModuleNotFoundError(name, name=name)

sys.meta_path.insert(0, Blocked())
import {module}
print(*sorted(name for name in sys.modules if name.startswith("pipeline.")))
"""


def imported(path: Path) -> Iterator[str]:
    """Every module that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            assert node.level == 0, f"{path}: imports are absolute"
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from inner if node.module in ("pipeline", "models", "synthetic_data") else [node.module]


@pytest.mark.parametrize("path", sorted((ROOT / "synthetic_data").rglob("*.py")), ids=lambda path: path.name)
def test_the_generator_shares_only_records_errors_and_configuration(path: Path) -> None:
    foreign = {name for name in imported(path) if name.partition(".")[0] in ("pipeline", "models")}
    assert foreign <= SHARED


@pytest.mark.parametrize("path", sorted((ROOT / "models").rglob("*.py")), ids=lambda path: path.name)
def test_the_network_knows_nothing_of_the_generator(path: Path) -> None:
    assert not [name for name in imported(path) if name.startswith("synthetic_data")]


def load(module: str, *names: str) -> subprocess.CompletedProcess[str]:
    code = BLOCKED.format(names=set(names), module=module)
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)


def test_the_generators_commands_load_without_the_packages_of_the_screening() -> None:
    done = load("synthetic_data.cli", *SCREENING_ONLY)
    assert done.returncode == 0, done.stderr
    assert set(done.stdout.split()) <= SHARED


def test_this_test_sees_a_package_that_is_not_there() -> None:
    done = load("pipeline.photos", *SCREENING_ONLY)
    assert done.returncode != 0 and "ModuleNotFoundError: imagehash" in done.stderr
