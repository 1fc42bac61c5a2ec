from __future__ import annotations

import ctypes.util
import os
from pathlib import Path

import pytest

from pipeline.configuration import load, shipped
from pipeline.errors import ScreeningError
from synthetic_data.dataset import SetConfig, synth
from synthetic_data.variant import LEAST_LLVM, VARIABLE, prepare_llvm, version_of


@pytest.fixture(autouse=True)
def bare_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing named, nothing known to the linker."""
    monkeypatch.setenv(VARIABLE, "")  # restored afterwards, also where prepare_llvm has written to it
    monkeypatch.setattr(ctypes.util, "find_library", lambda name: None)


def folder_with(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).touch()
    return folder


# file lists of Debian's packages libllvm14 to libllvm19 and llvm-14-dev
@pytest.mark.parametrize(
    ("name", "version"),
    [
        ("libLLVM-14.0.6.so.1", 14),
        ("libLLVM-14.so.1", 14),
        ("libLLVM-16.so", 16),
        ("libLLVM-19.so", 19),
        ("libLLVM.so.19.1", 19),
        ("libLLVMSupport.a", 0),
        ("libLLVM.so", 0),
    ],
)
def test_the_version_is_read_from_the_name(name: str, version: int) -> None:
    assert version_of(name) == version


def test_the_newest_library_is_named_to_the_renderer(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "libLLVM-15.so.1", "libLLVM-18.so.1", "libLLVM.so.19.1", "libLLVM-9.so.1")
    assert prepare_llvm([folder]) == str(folder / "libLLVM.so.19.1") == os.environ[VARIABLE]


def test_a_library_the_user_named_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    named = folder_with(tmp_path, "libmine.so") / "libmine.so"
    monkeypatch.setenv(VARIABLE, str(named))
    assert prepare_llvm([folder_with(tmp_path, "libLLVM.so.19.1")]) == str(named) == os.environ[VARIABLE]


def test_what_the_linker_knows_is_the_last_resort(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes.util, "find_library", lambda name: f"lib{name}.so.20.1")
    assert prepare_llvm([tmp_path]) == "libLLVM.so.20.1"


@pytest.mark.parametrize("names", [(), ("libLLVM-14.so.1", "libLLVM-16.so.1")])
def test_without_a_fit_library_one_sentence_says_what_to_install(tmp_path: Path, names: tuple[str, ...]) -> None:
    with pytest.raises(ScreeningError) as caught:
        prepare_llvm([folder_with(tmp_path, *names)])
    assert str(caught.value) == (
        f"libLLVM: rendering without a graphics card needs LLVM's shared library, version {LEAST_LLVM} or newer; "
        f"run: sudo apt-get install libllvm19, or name the file in {VARIABLE}."
    )
    assert not os.environ[VARIABLE]


def test_a_named_file_that_is_not_there_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "libLLVM.so.19.1"))
    with pytest.raises(ScreeningError, match=r"libLLVM.so.19.1: the file named in DRJIT_LIBLLVM_PATH is not there; "):
        prepare_llvm([tmp_path])


def test_a_set_is_not_begun_without_the_compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "none.so"))
    config = load(shipped("synthesis", "dataset.yaml"), SetConfig)
    with pytest.raises(ScreeningError, match=VARIABLE):
        synth(config, adverts=1, seed=1, out=tmp_path / "set")
    assert not (tmp_path / "set").exists()
