"""Several processes at work on one graphics card at once, by NVIDIA's Multi-Process Service where it is installed.

Without it the card serves one process after the other, a slice of time each; with it their work runs side by side.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CONTROL = "nvidia-cuda-mps-control"
PIPE, LOG = "CUDA_MPS_PIPE_DIRECTORY", "CUDA_MPS_LOG_DIRECTORY"  # where CUDA finds the service; children inherit them
PROBE = "import torch; torch.ones(8, device='cuda').sum().item()"
PATIENCE_S = 60


@contextmanager
def shared_cards() -> Iterator[bool]:
    """Run the service while the block runs, for processes started in it; gives whether it works here.

    A service that the user runs is left alone. It changes no setting of the card, and ends with the block.
    """
    control = shutil.which(CONTROL)
    if control is None or PIPE in os.environ:
        yield PIPE in os.environ
        return
    with tempfile.TemporaryDirectory(prefix="cards-", ignore_cleanup_errors=True) as folder:
        own = {PIPE: str(Path(folder, "pipe")), LOG: str(Path(folder, "log"))}
        before = {name: os.environ[name] for name in own if name in os.environ}
        for path in own.values():
            Path(path).mkdir()
        environment = {**os.environ, **own}
        works = _ran([control, "-d"], environment) and _ran([sys.executable, "-c", PROBE], environment)
        if works:
            os.environ.update(own)
        try:
            yield works
        finally:
            if works:
                for name in own:
                    del os.environ[name]
                os.environ.update(before)
            _ran([control], environment, "quit\n")


def _ran(command: list[str], environment: dict[str, str], told: str = "") -> bool:
    try:
        return (
            subprocess.run(
                command, env=environment, input=told, text=True, capture_output=True, timeout=PATIENCE_S, check=False
            ).returncode
            == 0
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
