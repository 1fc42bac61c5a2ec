"""What rays tell of a photo (`tests.pipeline.unrendered`) is what the renderer's own labels tell."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")
pytest.importorskip("mitsuba")

from synthetic_data.adverts import _Sight  # noqa: E402  (mitsuba may be missing)
from synthetic_data.paint import Noise  # noqa: E402
from synthetic_data.painter import paint_vehicle, sample_history  # noqa: E402
from synthetic_data.scene import expose  # noqa: E402
from synthetic_data.vehicle import build_vehicle, families  # noqa: E402
from synthetic_data.view import View  # noqa: E402
from tests.pipeline import unrendered  # noqa: E402
from tests.synthetic_data.samples import CLEAN, stage  # noqa: E402

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("one_thread")]


def test_rays_meet_what_the_renderer_labels(variant: str) -> None:
    vehicle = build_vehicle("pellock", families()["pellock"], np.random.default_rng(0))
    history = sample_history("colour_change_outside_only", vehicle, np.random.default_rng(4))
    painted = paint_vehicle(vehicle, families()["pellock"], history, CLEAN)
    body = unrendered._Body(vehicle, _Sight(vehicle), unrendered._Cells.of(vehicle))
    view = View(np.array([0.3, 5.0, 1.4]), np.array([0.0, 0, 0.9]), np.array([0.0, 0, 1]), 62.0, 256, 192)
    seen = unrendered.look(painted, body, view, Noise(history.seed, torch.device("cpu")))
    labels, *_ = expose(painted, view, stage(), variant=variant, samples=1, seed=3)
    on_vehicle = (labels.zone > 0) | (seen.zone > 0)
    assert (labels.zone == seen.zone)[on_vehicle].mean() > 0.95
    assert (labels.side == seen.side)[on_vehicle].mean() > 0.95
    for cue in ("painted_fastener", "film_defect", "wear_through", "overspray_rubber"):
        there = [masks[cue].sum() if cue in masks else 0 for masks in (labels.cues, seen.cues)]
        assert abs(int(there[0]) - int(there[1])) <= max(12, 0.35 * max(there)), cue
    panels = unrendered.panels_seen(vehicle, view)
    assert {"door_left", "tub_left"} <= set(np.unique(panels))
    assert "door_right" not in panels  # it is on the far side
