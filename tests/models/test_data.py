import json
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.augment import CUES_HIGH, CUES_LOW, PLACE, SURFACE, UNKNOWN_CLASS, Augmentation
from models.data import (
    LEAST_CELLS,
    PhotoSet,
    Sample,
    StepSampler,
    TrainingPhotos,
    cue_mask,
    decode_mask,
    limited_to,
    read_pixels,
    read_set,
    sampling_probability,
    to_cells,
    unpack,
)
from models.losses import UNKNOWN
from models.network import Channels
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, SURFACES, ZONES
from tests.models.fake_set import TAUGHT, write_fake_set

OUTSIDE = Path(__file__).parents[3] / "shared" / "outside"
PHOTOS = Path(__file__).parents[3] / "shared" / "photos"


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> PhotoSet:
    return read_set(write_fake_set(tmp_path_factory.mktemp("data") / "set", 24))


def test_a_set_is_read_with_its_unknowns(photos: PhotoSet) -> None:
    assert photos.name == "set" and len(photos.samples) == 24
    sample = photos.samples[3]
    assert sample.cues["painted_fastener"] == 1 and sample.cues["filler"] is None
    assert set(sample.masks) == set(TAUGHT)
    assert photos.samples[0].cues["painted_fastener"] == 0
    assert sample.vehicle == "v0" and sample.details["place"] == "door"
    splits = {name: {sample.vehicle for sample in photos.split(name).samples} for name in ("train", "val", "test")}
    assert not splits["train"] & splits["val"] and not splits["val"] & splits["test"]


def test_label_planes_hold_what_the_files_say(photos: PhotoSet) -> None:
    photo, labels = read_pixels(photos.samples[3], TAUGHT)
    assert photo.shape == (96, 128, 3) and labels.shape == (96, 128, 4)
    red = (photo[:, :, 0].astype(int) - photo[:, :, 2] > 60) & (np.arange(96) < 60)[:, None]
    bolts = labels[:, :, CUES_LOW] & 2 > 0
    assert (red & bolts).sum() / (red | bolts).sum() > 0.7
    assert labels[80, 5, SURFACE] == SURFACES.index("rubber")
    assert labels[80, 5, PLACE] == 1 + ZONES.index("door_seal") + 32 * 1
    assert labels[80, 120, PLACE] == 1 + ZONES.index("door_seal") + 32 * 2


def test_the_ninth_cue_has_its_bit_in_the_second_plane(photos: PhotoSet) -> None:
    cues = (*[cue for cue in DETECTED_CUES if cue not in TAUGHT][:8], "painted_fastener")
    _, labels = read_pixels(photos.samples[3], cues)
    assert labels[:, :, CUES_HIGH].max() == 1
    assert np.array_equal(cue_mask(labels.transpose(2, 0, 1), 8), labels[:, :, CUES_HIGH] == 1)


def test_masks_in_every_coco_form_are_the_same() -> None:
    wanted = np.zeros((6, 8), np.uint8)
    wanted[1:4, 2:6] = 1
    # column-major run lengths, COCO's definition: 13 zeros, then columns of 3 ones and 3 zeros
    plain = {"size": [6, 8], "counts": [13, 3, 3, 3, 3, 3, 3, 3, 14]}
    assert np.array_equal(decode_mask(plain, 6, 8), wanted)
    assert np.array_equal(decode_mask([[2, 1, 6, 1, 6, 4, 2, 4]], 6, 8), wanted)


def test_no_bolt_is_lost_between_pixels_and_cells() -> None:
    labels = np.zeros((8, 12, 4), np.uint8)
    labels[5, 10, CUES_LOW] = 128
    labels[0, 0, CUES_HIGH] = 1
    labels[:, 4:8, SURFACE] = 9
    cells = to_cells(labels)
    assert cells.shape == (4, 2, 3)
    assert np.argwhere(cue_mask(cells, 7)).tolist() == [[1, 2]]
    assert np.argwhere(cue_mask(cells, 8)).tolist() == [[0, 0]]
    assert cells[SURFACE].tolist() == [[0, 9, 0], [0, 9, 0]]


def test_what_an_older_network_has_no_channel_for_is_unknown_to_it() -> None:
    newest = np.full((4, 2, 2), 0, np.uint8)
    newest[SURFACE] = [[SURFACES.index("paint"), SURFACES.index("fastener")], [UNKNOWN_CLASS, 0]]
    newest[PLACE] = [[32 + len(ZONES), 64 + 1], [UNKNOWN_CLASS, 0]]
    assert np.array_equal(limited_to(newest, Channels()), newest)
    older = Channels(surfaces=tuple(s for s in SURFACES if s != "fastener"), zones=("none", *ZONES[:-1]))
    told = limited_to(newest, older)
    assert told[SURFACE].tolist() == [[SURFACES.index("paint"), UNKNOWN_CLASS], [UNKNOWN_CLASS, 0]]
    assert told[PLACE].tolist() == [[UNKNOWN_CLASS, 65], [UNKNOWN_CLASS, 0]]


def test_a_training_item_unpacks_to_photo_and_targets(photos: PhotoSet) -> None:
    channels = Channels(cues=(*TAUGHT, "filler"))
    items = TrainingPhotos(photos.samples, channels, Augmentation(height=96, width=128, least_area=0.95))
    item = {key: value[None] for key, value in items[(3, 11)].items()}
    pixels, targets = unpack(item, 3)
    assert pixels.shape == (1, 3, 96, 128) and pixels.min() >= 0 and pixels.max() <= 1
    assert targets.cue_masks.shape == (1, 3, 24, 32)
    assert targets.cue_labels.tolist() == [[1, 1, UNKNOWN]]
    assert targets.masks_known.tolist() == [[True, True, False]]
    assert set(targets.sides.unique().tolist()) <= {1, 2, UNKNOWN_CLASS}
    again = items[(3, 11)]
    assert all((again[key] == items[(3, 11)][key]).all() for key in again)


def test_a_cue_cropped_away_is_absent_from_the_crop(photos: PhotoSet) -> None:
    settings = Augmentation(height=64, width=64, least_area=0.05, cue_centred=0.0)
    items = TrainingPhotos(photos.samples, Channels(cues=TAUGHT), settings)
    labels = {int(items[(3, seed)]["cue_labels"][1]) for seed in range(40)}
    assert labels == {0, 1, UNKNOWN}  # unknown where only a sliver is left


def test_a_sliver_of_a_cue_is_neither_there_nor_absent(photos: PhotoSet) -> None:
    settings = Augmentation(height=64, width=64, least_area=0.05, cue_centred=0.5)
    items = TrainingPhotos(photos.samples, Channels(cues=TAUGHT), settings)
    for seed in range(60):
        item = items[(3, seed)]
        for index in range(len(TAUGHT)):
            shown, label = int(cue_mask(item["cells"].numpy(), index).sum()), int(item["cue_labels"][index])
            assert label == (1 if shown >= LEAST_CELLS else UNKNOWN if shown else 0)
            assert bool(item["masks_known"][index]) == (label != UNKNOWN)


def test_only_whole_views_teach_the_kind_of_view(photos: PhotoSet) -> None:
    def shots(whole_view: float) -> set[int]:
        settings = Augmentation(height=64, width=64, least_area=0.05, whole_view=whole_view)
        items = TrainingPhotos(photos.samples, Channels(cues=TAUGHT), settings)
        return {int(items[(3, seed)]["shots"]) for seed in range(20)}

    assert shots(0.0) == {UNKNOWN}
    assert len(shots(1.0)) == 1 and UNKNOWN not in shots(1.0)
    assert len(shots(0.5)) == 2


def test_a_cue_without_a_mask_stays_known_to_be_there(tmp_path: Path) -> None:
    folder = write_fake_set(tmp_path / "set", 8, dense=False)
    (folder / "annotations.json").unlink()
    samples = read_set(folder).samples
    items = TrainingPhotos(samples, Channels(cues=TAUGHT), Augmentation(height=64, width=64, least_area=0.05))
    item = items[(3, 0)]
    assert item["cue_labels"].tolist() == [1, 1] and item["masks_known"].tolist() == [False, False]
    assert (item["cells"][SURFACE] == UNKNOWN_CLASS).all()


def test_a_table_can_be_csv(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "a.jpg"), np.zeros((40, 50, 3), np.uint8))
    (tmp_path / "images.csv").write_text("file,shot,vehicle_visible,cue_filler,split\na.jpg,detail_seam,1,,val\n")
    (sample,) = read_set(tmp_path).samples
    assert sample.shot == "close_up" and sample.cues["filler"] is None and sample.split == "val"
    assert sample.vehicle_visible is True


def test_faulty_sets_are_named(tmp_path: Path) -> None:
    with pytest.raises(BatchError, match="no table of labels"):
        read_set(tmp_path)
    (tmp_path / "images.csv").write_text("file,shot\ngone.jpg,rear\n")
    with pytest.raises(BatchError, match=r"first gone\.jpg"):
        read_set(tmp_path)
    (tmp_path / "gone.jpg").write_bytes(b"no photo")
    with pytest.raises(BatchError, match="cannot be decoded"):
        read_pixels(read_set(tmp_path).samples[0], TAUGHT)


def test_sampling_goes_on_where_it_stopped() -> None:
    probability = np.full(50, 1 / 50)
    whole = list(islice(StepSampler(probability, 4, seed=3, rank=0, first_step=0), 6))
    rest = list(islice(StepSampler(probability, 4, seed=3, rank=0, first_step=2), 4))
    assert whole[2:] == rest
    assert whole != list(islice(StepSampler(probability, 4, seed=3, rank=1, first_step=0), 6))


def sample(**cues: int) -> Sample:
    known = dict.fromkeys(DETECTED_CUES, 0) | cues
    return Sample(Path("x.jpg"), "v", "train", None, (), None, known, {}, None, {})


def test_sets_count_by_weight_and_rare_cues_more_often() -> None:
    # Gupta et al. (2019): a cue on 1 of 40 photos, threshold 0.1, repeats sqrt(0.1 / 0.025) = 2 times
    common = PhotoSet("a", (sample(filler=1), *(sample() for _ in range(39))))
    other = PhotoSet("b", tuple(sample() for _ in range(5)))
    probability = sampling_probability([(common, 1.0), (other, 8.0)], ("filler",))
    assert probability.sum() == pytest.approx(1)
    assert probability[:40].sum() == pytest.approx(0.5)  # 40 photos once, 5 photos eight times
    assert probability[0] / probability[1] == pytest.approx(2)


@pytest.mark.skipif(not OUTSIDE.exists(), reason="the outside renders are not here")
def test_the_outside_renders_are_read_with_their_masks() -> None:
    outside = read_set(OUTSIDE)
    assert len(outside.samples) == 108
    shown = [sample for sample in outside.samples if sample.cues["filled_seam"] == 1]
    assert len(shown) == 6 and all("filled_seam" in sample.masks for sample in shown)
    coco = json.loads((OUTSIDE / "annotations.json").read_text())
    areas = {
        Path(i["file_name"]).name: a["area"]
        for a in coco["annotations"]
        for i in coco["images"]
        if a["image_id"] == i["id"]
    }
    _, labels = read_pixels(shown[0], ("filled_seam",))
    assert labels[:, :, CUES_LOW].sum() == areas[shown[0].photo.name]


@pytest.mark.skipif(not PHOTOS.exists(), reason="the real photos are not here")
def test_real_photos_have_shots_and_no_known_cue() -> None:
    real = read_set(PHOTOS)
    assert len(real.samples) == 52
    assert {sample.shot for sample in real.samples} >= {"close_up", "identification_plate", "exterior", "not_vehicle"}
    assert all(label is None for sample in real.samples for label in sample.cues.values())
