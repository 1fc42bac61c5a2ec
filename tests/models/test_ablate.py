"""Ablations: every variant trains and is measured alike. That a part helps is for the card, not for a test."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from models.ablate import AblationJob, Ablations, Variant, ablate, as_table, read_ablations, recipe_of
from pipeline.errors import BatchError, ConfigError
from tests.models.fake_set import write_fake_set

TINY = {
    "batch": 4, "width": 8, "fine_width": 8, "workers": 0, "precision": "fp32", "least_positives": 1,
    "augmentation": {"height": 64, "width": 96, "least_area": 0.6},
}  # fmt: skip


def test_the_shipped_variants_change_what_they_say() -> None:
    ablations = read_ablations()
    base = recipe_of(ablations, Variant())
    assert base.steps == ablations.steps and base.pretrained
    changed = {name: recipe_of(ablations, variant) for name, variant in ablations.variants.items()}
    assert not changed["backbone not pretrained"].pretrained
    assert changed["no camera in augmentation"].augmentation.camera == 0
    # nested fields that a variant does not name stay those of the base
    assert changed["no close looks"].augmentation.hue_deg == base.augmentation.hue_deg
    assert changed["no close looks"].augmentation.least_area > base.augmentation.least_area
    alike = [name for name, recipe in changed.items() if recipe == base]
    left_out = [name for name, variant in ablations.variants.items() if variant.without_sets]
    assert set(alike) == {"everything", "no look-alikes", *left_out}


def test_a_field_that_the_recipe_lacks_is_named(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("recipe: first\nsteps: 2\nvariants:\n  odd: {recipe: {no_such_field: 1}}\n")
    with pytest.raises(ConfigError, match="no_such_field"):
        read_ablations(path)


@pytest.mark.slow
@pytest.mark.parametrize("at_once", [None, 2])
def test_each_variant_is_trained_and_measured_once(tmp_path: Path, at_once: int | None) -> None:
    own, other = write_fake_set(tmp_path / "own", 36), write_fake_set(tmp_path / "other", 36, seed=1)
    ablations = Ablations(
        recipe="first",
        steps=2,
        variants={
            "everything": Variant(recipe=TINY),
            "no other": Variant(recipe=TINY, without_sets=("other",)),
        },
    )
    job = AblationJob(ablations, (own, other), (own,), tmp_path / "out", "cpu", at_once, resamples=20)
    said: list[str] = []
    result = json.loads(ablate(job, say=said.append).read_text())
    photos = {name: scores["training_photos"] for name, scores in result["variants"].items()}
    assert photos["everything"] == 2 * photos["no other"]
    low, value, high = result["variants"]["no other"]["measured"]["own"]["mean_average_precision"]
    assert 0 <= low <= value <= high <= 1
    assert said == [as_table(result)] and "| no other |" in said[0]
    run = tmp_path / "out" / "everything" / "network.safetensors"
    before = run.stat().st_mtime_ns
    ablate(job)
    assert run.stat().st_mtime_ns == before
    nothing = Ablations(recipe="first", steps=2, variants={"none": Variant(recipe=TINY, without_sets=("own", "other"))})
    with pytest.raises(BatchError, match="no set is left"):
        ablate(AblationJob(nothing, (own, other), (own,), tmp_path / "out", "cpu"))
