"""Where the renderer's compiler is: Mitsuba's variants without a graphics card need the shared library of LLVM."""

from __future__ import annotations

import ctypes.util
import os
import re
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import ScreeningError

VARIABLE = "DRJIT_LIBLLVM_PATH"  # Dr.Jit reads it when it is imported
# Dr.Jit 1.5 asks for LLVM 15 or newer, but 15 and 16 end the process on x86-64: they cannot select fminimum.
# Tried: 15, 16 and 19, which works; that 17 does is from memory.
LEAST_LLVM = 17
# Debian's multiarch folders first, then what other systems use
FOLDERS = tuple(
    Path(folder)
    for folder in (
        "/usr/lib/x86_64-linux-gnu",
        "/usr/lib/aarch64-linux-gnu",
        "/usr/lib64",
        "/usr/lib",
        "/usr/local/lib",
        "/opt/homebrew/opt/llvm/lib",
    )
)


def prepare_llvm(folders: Iterable[Path] = FOLDERS) -> str:
    """Name LLVM's shared library to Mitsuba and return its path; child processes inherit it.

    Call before `mitsuba` is imported. A library the user named in DRJIT_LIBLLVM_PATH is kept. Raises ScreeningError
    where there is none, or only ones older than `LEAST_LLVM`.
    """
    named = os.environ.get(VARIABLE)
    if named:
        if Path(named).is_absolute() and not Path(named).exists():
            raise ScreeningError(named, f"the file named in {VARIABLE} is not there", "correct or unset the variable")
        return named
    found = [path for folder in folders for path in folder.glob("libLLVM*") if version_of(path.name) >= LEAST_LLVM]
    library = str(max(found, key=lambda path: version_of(path.name))) if found else _known_to_the_linker()
    if library is None:
        raise ScreeningError(
            "libLLVM",
            f"rendering without a graphics card needs LLVM's shared library, version {LEAST_LLVM} or newer",
            f"run: sudo apt-get install libllvm19, or name the file in {VARIABLE}",
        )
    os.environ[VARIABLE] = library
    return library


def version_of(name: str) -> int:
    """Major version in a library's file name, such as libLLVM-15.so.1 or libLLVM.so.19.1; 0 where it has none."""
    match = re.fullmatch(r"libLLVM(?:-(\d+)[\d.]*\.(?:so|dylib)[\d.]*|\.so\.(\d+)[\d.]*)", name)
    return int(match[1] or match[2]) if match else 0


def _known_to_the_linker() -> str | None:
    name = ctypes.util.find_library("LLVM")
    return name if name is not None and version_of(Path(name).name) >= LEAST_LLVM else None
