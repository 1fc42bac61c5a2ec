"""YAML into frozen models: unknown keys refused, and every error names file, line, key and remedy."""

from __future__ import annotations

import reprlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.errors import ConfigError


class Config(BaseModel):
    """Base of everything read from `configs/` or from a user's YAML."""

    model_config = ConfigDict(frozen=True, extra="forbid")


Model = TypeVar("Model", bound=BaseModel)

LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # libyaml, where PyYAML has it, is six times faster


def shipped(*parts: str) -> Path:
    """Path of a file or folder that ships in `configs/`, for example `shipped("cues.yaml")`."""
    return Path(str(files("configs").joinpath("/".join(parts))))


def read_yaml(path: Path) -> Any:
    """The YAML's plain content. Raises ConfigError where the file is missing, not UTF-8 or not YAML."""
    return _compose(path)[0]


def load(path: Path, model: type[Model]) -> Model:
    """Read one YAML file into `model`.

    Raises ConfigError with file and line for a missing file, broken YAML, an unknown key or a value that does not fit.
    """
    content, node = _compose(path)
    if content is None:
        content = {}
    try:
        return model.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        found = (
            "" if first["type"] in ("missing", "extra_forbidden") else f" (found {reprlib.repr(first['input']):.60})"
        )
        raise ConfigError(
            f"{path}, line {_line(node, first['loc'])}",
            f"{'.'.join(str(part) for part in first['loc']) or 'content'}: {first['msg'].lower()}" + found,
            _remedy(first["type"], model, first["loc"]),
        ) from None


def line_of(path: Path, location: Sequence[int | str]) -> int:
    """The line, counted from 1, on which an entry of a YAML file stands; if it is missing, the line of its parent."""
    return _line(_compose(path)[1], location)


def _compose(path: Path) -> tuple[Any, yaml.Node | None]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError(path, "there is no such file", "check the name") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(path, f"it cannot be read as UTF-8 text ({error})", "save it as a UTF-8 text file") from None
    try:
        loader = LOADER(text)
        node = loader.get_single_node()
        return None if node is None else loader.construct_document(node), node
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = f"{path}, line {mark.line + 1}" if mark else str(path)
        raise ConfigError(where, f"it is not valid YAML ({error.problem})", "mend that line") from None
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        reason = " ".join(str(error).split())[:80]
        raise ConfigError(path, f"it is not valid YAML ({reason})", "mend or replace the file") from None


def _line(node: yaml.Node | None, location: Sequence[int | str]) -> int:
    """The line the faulty value (or, for a missing key, its parent) stands on, counted from 1."""
    line = 1 if node is None else node.start_mark.line + 1
    for part in location:
        child: yaml.Node | None = None
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                if key.value == str(part):
                    child, line = value, key.start_mark.line + 1
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            child = node.value[part]
            line = child.start_mark.line + 1
        if child is None:
            break
        node = child
    return line


def _remedy(kind: str, model: type[BaseModel], location: Sequence[int | str]) -> str:
    if kind == "missing":
        return f"add `{location[-1]}`"
    if kind == "extra_forbidden" and len(location) == 1:
        return f"use one of: {', '.join(model.model_fields)}"
    if kind == "string_type":
        return "put the value in quotes"
    if kind == "extra_forbidden":
        return f"remove `{location[-1]}` or mend its spelling"
    return "mend the value"
