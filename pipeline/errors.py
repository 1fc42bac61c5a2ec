"""Errors a user can meet. Each says which file, what is wrong and what to do, in one sentence.

ScreeningError
├── UsageError        what was asked for does not fit together (exit code 2)
├── BatchError        the batch itself cannot be used (exit code 1)
├── PhotoError        one photo cannot be used; it is set aside and the batch goes on
├── ConfigError       a YAML or CSV the user (or we) wrote does not hold
└── WeightsError      the network's files are missing, changed or do not fit
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

INSTALL_TRAINING = "run in maskline's source folder: pip install '.[train]'"


class ScreeningError(Exception):
    """Base of every error a user can meet: which file, what is wrong, what to do."""

    def __init__(self, file: Path | str, fault: str, remedy: str) -> None:
        super().__init__(file, fault, remedy)  # all arguments: an exception must survive pickling
        self.file, self.fault, self.remedy = str(file), fault, remedy

    def __str__(self) -> str:
        return f"{self.file}: {self.fault}; {self.remedy}."


class UsageError(ScreeningError):
    """What was asked for does not fit together: outputs inside the batch, or over somebody's other files."""


class BatchError(ScreeningError):
    """The batch cannot be used at all: not there, empty, not a folder, zip or CSV."""


class PhotoError(ScreeningError):
    """One photo cannot be decoded or judged; it becomes a set-aside record."""


class ConfigError(ScreeningError):
    """A configuration, advert or table file does not hold: unknown key, wrong type, value out of range."""


class WeightsError(ScreeningError):
    """The network's files are missing, do not match their digest, or do not fit this version."""


def need_packages(command: str, *packages: str) -> None:
    """Raise ScreeningError, with what to install, where a package that only the extra `train` brings is not there."""
    for name in packages:
        if find_spec(name) is None:
            raise ScreeningError(command, f"the package '{name}' is not installed", INSTALL_TRAINING)
