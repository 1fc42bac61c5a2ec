"""One photo becomes one line that holds all that was seen, and can be read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.cues import cue_settings
from pipeline.findings import Look, look_at, zone_sides
from pipeline.network import CueNetwork, Floats
from pipeline.photos import judge_quality, read_photo
from pipeline.records import DETECTED_CUES, SHOTS, PhotoFindings, Side
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


def test_a_photo_unlike_anything_learnt_is_not_judged(tiny_network: Path, tmp_path: Path) -> None:
    path = tmp_path / "photo.png"
    Image.fromarray(made_photo(768, 1024)).save(path)
    network = CueNetwork.load(tiny_network, threads=1)
    photo = read_photo(path, "advert")
    maps, quality = network.run([photo.srgb])[0], judge_quality(photo)
    odd = look_at(photo, replace(maps, novelty=1.2), quality, network.manifest).findings
    assert odd.novelty == 1.2 and not odd.quality.assessable
    assert all(not cue.assessable and cue.score is None for cue in odd.cues.values())
    usual = look_at(photo, replace(maps, novelty=0.9), quality, network.manifest).findings
    assert usual.quality.assessable and usual.cues["overspray_rubber"].assessable


def test_zones_are_shares_of_the_area(tiny_network: Path, tmp_path: Path) -> None:
    assert look(tiny_network, tmp_path).findings.zones == {"door_seal": pytest.approx(1 / 16, rel=0.01)}


def test_a_zone_has_the_side_that_the_network_is_sure_of(tiny_network: Path, tmp_path: Path) -> None:
    findings = look(tiny_network, tmp_path).findings
    assert findings.sides == {"door_seal": "right"}
    assert {box.side for box in findings.cues["overspray_rubber"].boxes} == {"right"}


def test_a_zone_seen_on_both_sides_has_none(tiny_network: Path) -> None:
    network = CueNetwork.load(tiny_network, threads=1)
    srgb = made_photo(768, 1024)
    srgb[0:192, 0:256] = CUE_COLOURS["overspray_rubber"]
    maps = network.run([srgb])[0]
    assert maps.sides is not None
    swapped = maps.sides.copy()
    swapped[:, :, :32] = swapped[[0, 2, 1], :, :32]  # one half of the seal is the left one

    def zone(sides: Floats | None) -> dict[str, Side]:
        return zone_sides(replace(maps, sides=sides), network.manifest, ["door_seal"], cue_settings())

    assert (zone(maps.sides), zone(swapped), zone(None)) == ({"door_seal": "right"}, {}, {})


def test_a_document_shows_no_zones_and_no_cues(tiny_network: Path, tmp_path: Path) -> None:
    seen = look(tiny_network, tmp_path, white=True)
    assert seen.findings.likely_shot == "document"
    assert seen.findings.vehicle < 0.5
    assert seen.findings.zones == {}
    assert not any(finding.assessable for finding in seen.findings.cues.values())
    assert seen.heats == {}
