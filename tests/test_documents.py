"""README and DEVELOPERS say what is true: commands that exist, examples that hold, every module named."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
import yaml

import models.cli
import pipeline.cli
import pipeline.data_group
from pipeline.build_sheets import read_build_sheet
from pipeline.histories import WeighingSettings
from pipeline.readings import read_readings
from pipeline.records import AdvertDetails

ROOT = Path(__file__).parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
CODE = ("pipeline", "models", "synthetic_data")
GROUPS = {"model": models.cli.app, "data": pipeline.data_group.app}


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(name: str, language: str) -> list[str]:
    """The fenced code blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text_of(name), flags=re.MULTILINE | re.DOTALL)


def lines(name: str) -> list[str]:
    return [line for block in blocks(name, "sh") for line in block.splitlines()]


def command_of(words: list[str]) -> tuple[Any, list[str]]:
    """The typer command that `maskline WORDS` calls, and the words left for it."""
    app = GROUPS.get(words[0])
    command: Any = typer.main.get_command(app or pipeline.cli.app)
    rest = words[1:] if app else words
    while hasattr(command, "commands"):
        assert rest and rest[0] in command.commands, f"there is no command maskline {' '.join(words)}"
        command, rest = command.commands[rest[0]], rest[1:]
    return command, rest


CALLS = [(name, line) for name in DOCUMENTS for line in lines(name) if line.startswith("maskline ")]


@pytest.mark.parametrize(("name", "line"), CALLS)
def test_every_command_in_a_block_can_be_called_so(name: str, line: str) -> None:
    command, rest = command_of(shlex.split(line)[1:])
    command.make_context(command.name, rest)  # parses, and raises for an option or argument that does not fit


def test_the_parser_of_this_test_refuses_what_does_not_exist() -> None:
    with pytest.raises(AssertionError, match="no command"):
        command_of(["screem", "adverts"])
    command, rest = command_of(["screen", "adverts", "--output", "out"])
    with pytest.raises(Exception, match="No such option"):
        command.make_context(command.name, rest)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_command_named_in_a_sentence_exists(name: str) -> None:
    for words in re.findall(r"`maskline ([a-z][^`]*)`", text_of(name)):
        first, *rest = words.split()
        if first in GROUPS and not rest:
            continue  # the group itself
        command_of([first, *rest])


def recipes() -> dict[str, str]:
    """The Makefile's targets and what each runs."""
    found = re.findall(r"^([a-z]+):.*\n((?:\t.*\n)*)", text_of("Makefile"), flags=re.MULTILINE)
    return {target: recipe for target, recipe in found if recipe}


def test_the_test_command_of_the_readme_is_what_ci_runs() -> None:
    (testing,) = (target for target, recipe in recipes().items() if "-m pytest" in recipe)
    assert f"make {testing}" in lines("README.md")
    assert f"make {testing}" in text_of(".ci/run").splitlines()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_make_target_named_exists(name: str) -> None:
    named = re.findall(r"`make ([a-z]+)[^`]*`", text_of(name)) + [
        line.split()[1] for line in lines(name) if line.startswith("make ")
    ]
    assert set(named) <= set(recipes())
    assert named


def test_the_folder_that_make_demo_writes_is_the_one_named() -> None:
    (out,) = re.findall(r"maskline demo --out (\S+)", recipes()["demo"])
    assert f"`{out}/report/index.html`" in text_of("README.md")


@pytest.mark.parametrize("name", DOCUMENTS)
def test_no_path_of_one_machine_is_named(name: str) -> None:
    assert re.findall(r"(?:^|[\s`'\"(=:])(?:/\w[\w./-]*|~/\S*|[A-Z]:\\\S*)", text_of(name), flags=re.MULTILINE) == []


def test_the_examples_hold(tmp_path: Path) -> None:
    advert, sheet = blocks("README.md", "yaml")
    details = AdvertDetails.model_validate(yaml.safe_load(advert))
    assert set(AdvertDetails.model_fields) == set(yaml.safe_load(advert))  # every key is shown
    (tmp_path / "own.yaml").write_text(sheet, encoding="utf-8")
    assert "wing_rivets" in read_build_sheet(str(tmp_path / "own.yaml")).joints
    (readings,) = blocks("README.md", "csv")
    (tmp_path / "readings.csv").write_text(readings, encoding="utf-8")
    sheet_named = read_build_sheet(str(details.build_sheet))
    assert len(read_readings(tmp_path / "readings.csv", sheet_named, WeighingSettings.shipped().readings)) == 3


# --- the tree in DEVELOPERS.md ---------------------------------------------------------------------------------------


def named_in(folder: str) -> list[str]:
    """The files listed in DEVELOPERS.md below the heading of a folder."""
    _, _, after = text_of("DEVELOPERS.md").partition(f"\n### {folder}/\n")
    return re.findall(r"^- `([^`]+)`: \S", re.split(r"^#", after, flags=re.MULTILINE)[0], flags=re.MULTILINE)


def files_in(folder: str, *endings: str) -> Iterator[str]:
    for path in sorted((ROOT / folder).rglob("*")):
        if path.suffix in endings and path.name != "__init__.py" and "demo" not in path.relative_to(ROOT).parts:
            yield path.relative_to(ROOT / folder).as_posix()


@pytest.mark.parametrize("folder", CODE)
def test_every_module_is_named_once(folder: str) -> None:
    assert sorted(named_in(folder)) == sorted(files_in(folder, ".py"))


def test_every_configuration_is_named_once() -> None:
    assert sorted(named_in("configs")) == sorted(files_in("configs", ".yaml", ".csv"))


def test_every_module_of_the_tests_is_named_or_mirrors_one() -> None:
    # DEVELOPERS.md states the rule: tests/pipeline/test_cues.py checks pipeline/cues.py
    mirrors = {f"{folder}/test_{Path(module).name}" for folder in CODE for module in files_in(folder, ".py")}
    others = {name for name in files_in("tests", ".py") if name not in mirrors and not name.endswith("conftest.py")}
    assert others - set(named_in("tests")) == set()
