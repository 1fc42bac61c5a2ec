"""Order of the tests: fast ones first, so that a plain mistake shows in seconds."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.get_closest_marker("slow") is not None)  # stable: the files' order otherwise
