"""Where the camera stands and what its frame takes in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class View:
    """Where the camera stands: positions in metres, horizontal field of view in degrees, picture size in pixels."""

    origin: Array
    target: Array
    up: Array
    field_of_view_deg: float
    width: int
    height: int

    @property
    def pixel_angle(self) -> float:
        """Radians a pixel in the middle of the picture."""
        return 2 * math.tan(math.radians(self.field_of_view_deg) / 2) / self.width

    def basis(self) -> Array:
        """Rows: right, down, forward."""
        forward = (self.target - self.origin) / np.linalg.norm(self.target - self.origin)
        right = np.cross(forward, self.up)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(forward, right), forward])
