"""One photo becomes one line that holds all that was seen, and can be read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.findings import Look, look_at
from pipeline.network import CueNetwork
from pipeline.photos import judge_quality, read_photo
from pipeline.records import DETECTED_CUES, SHOTS, PhotoFindings
from tests.pipeline.conftest import CUE_COLOURS, made_photo


def look(tiny_network: Path, folder: Path, *, white: bool = False) -> Look:
    srgb = np.full((768, 1024, 3), 255, np.uint8) if white else made_photo(768, 1024)
    srgb[0:192, 0:256] = CUE_COLOURS["overspray_rubber"]  # a sixteenth of the area, zone door_seal
    srgb[400:480, 512:768] = CUE_COLOURS["wear_through"]  # no zone
    path = folder / "photo.png"
    Image.fromarray(srgb).save(path)
    network = CueNetwork.load(tiny_network, threads=1)
    photo = read_photo(path, "advert")
    return look_at(photo, network.run([photo.srgb])[0], judge_quality(photo), network.manifest)


def test_all_that_was_seen_is_on_the_line(tiny_network: Path, tmp_path: Path) -> None:
    seen = look(tiny_network, tmp_path)
    findings = seen.findings
    assert (findings.advert, findings.photo, findings.width, findings.height) == ("advert", "photo.png", 1024, 768)
    assert tuple(findings.shot) == SHOTS
    assert sum(findings.shot.values()) == pytest.approx(1, abs=1e-4)
    assert findings.likely_shot == "exterior"
    assert findings.vehicle > 0.9
    assert findings.quality.assessable
    assert tuple(findings.cues) == DETECTED_CUES
    assert {cue for cue, finding in findings.cues.items() if finding.boxes} == {"overspray_rubber", "wear_through"}
    assert set(seen.heats) == {"overspray_rubber", "wear_through"}
    assert PhotoFindings.model_validate_json(findings.model_dump_json()) == findings


def test_zones_are_shares_of_the_area(tiny_network: Path, tmp_path: Path) -> None:
    assert look(tiny_network, tmp_path).findings.zones == {"door_seal": pytest.approx(1 / 16, rel=0.01)}


def test_a_document_shows_no_zones_and_no_cues(tiny_network: Path, tmp_path: Path) -> None:
    seen = look(tiny_network, tmp_path, white=True)
    assert seen.findings.likely_shot == "document"
    assert seen.findings.vehicle < 0.5
    assert seen.findings.zones == {}
    assert not any(finding.assessable for finding in seen.findings.cues.values())
    assert seen.heats == {}
