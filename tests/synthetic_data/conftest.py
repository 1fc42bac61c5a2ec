"""Readies the renderer before any test module imports it; a test that renders asks for `variant`."""

from __future__ import annotations

import pytest

from pipeline.errors import ScreeningError
from synthetic_data.variant import prepare_llvm

try:
    prepare_llvm()
    fault = None
except ScreeningError as error:
    fault = str(error)


@pytest.fixture(scope="session")
def variant() -> str:
    """Mitsuba's variant without a graphics card, set; skips where its compiler is missing."""
    mitsuba = pytest.importorskip("mitsuba")
    if fault is not None:
        pytest.skip(fault)
    mitsuba.set_variant("llvm_ad_rgb")
    return "llvm_ad_rgb"
