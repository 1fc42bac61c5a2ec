"""The reference of commands says what the commands are (`make reference` writes it anew)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

import models.cli
import pipeline.cli
import pipeline.data_group

REFERENCE = (Path(pipeline.cli.__file__).parent / "COMMANDS.md").read_text(encoding="utf-8")
APPS = {"maskline": pipeline.cli.app, "maskline model": models.cli.app, "maskline data": pipeline.data_group.app}


def sections() -> dict[str, str]:
    """The text under each command's heading."""
    parts = re.split(r"^#+ `(maskline[^`]*)`$", REFERENCE, flags=re.MULTILINE)
    found: dict[str, str] = {}
    for name, text in zip(parts[1::2], parts[2::2], strict=True):
        found[name] = found.get(name, "") + text
    return found


def commands(name: str, command: Any) -> Iterator[tuple[str, Any]]:
    yield name, command
    for part, inner in getattr(command, "commands", {}).items():
        yield from commands(f"{name} {part}", inner)


@pytest.mark.parametrize("app", APPS)
def test_every_command_is_described_with_all_it_takes(app: str) -> None:
    described = sections()
    for name, command in commands(app, typer.main.get_command(APPS[app])):
        assert name in described, f"{name} is not in the reference: run make reference"
        text = " ".join(described[name].split())
        if command.help and not hasattr(command, "commands"):
            assert " ".join(command.help.split("\n\n")[0].split()) in text, name
        for parameter in command.params:
            for option in (*parameter.opts, *parameter.secondary_opts):
                assert option.lower() in text.lower(), f"{name} {option}: run make reference"


def test_nothing_is_described_that_is_not_there() -> None:
    known = {name for app, typed in APPS.items() for name, _ in commands(app, typer.main.get_command(typed))}
    assert set(sections()) == known
