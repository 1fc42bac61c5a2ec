"""Readies the renderer before any test module imports it; a test that renders asks for `variant`."""

from __future__ import annotations

from collections.abc import Iterator

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


@pytest.fixture(scope="module")
def one_thread() -> Iterator[None]:
    """Small tensors on one thread: where other processes hold the cores, threads wait for each other far longer."""
    torch = pytest.importorskip("torch")
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)
