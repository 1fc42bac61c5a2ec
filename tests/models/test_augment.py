import albumentations as A
import numpy as np
import pytest
from pydantic import ValidationError

from models.augment import (
    CUES_LOW,
    PLACE,
    SIDE_STEP,
    SURFACE,
    UNKNOWN_CLASS,
    Augmentation,
    RandomFilter,
    SideFlip,
    training_augmentation,
)

SMALL = Augmentation(height=96, width=128)


def labelled() -> tuple[np.ndarray, np.ndarray]:
    photo = np.full((192, 256, 3), 90, np.uint8)
    photo[60:80, 100:130] = (240, 10, 10)
    labels = np.zeros((192, 256, 4), np.uint8)
    labels[60:80, 100:130, CUES_LOW] = 4
    labels[:, :128, PLACE] = 3 + 1 * SIDE_STEP
    labels[:, 128:, PLACE] = 5 + 2 * SIDE_STEP
    labels[:10, :, PLACE] = UNKNOWN_CLASS
    labels[10:20, :, PLACE] = 7  # no side
    return photo, labels


def test_a_flip_swaps_the_vehicles_sides_and_nothing_else() -> None:
    photo, labels = labelled()
    flipped = A.Compose([SideFlip(p=1)])(image=photo, mask=labels)
    assert np.array_equal(flipped["image"], photo[:, ::-1])
    assert np.array_equal(flipped["mask"][:, :, :PLACE], labels[:, ::-1, :PLACE])
    place = flipped["mask"][:, :, PLACE]
    assert (place[:10] == UNKNOWN_CLASS).all() and (place[10:20] == 7).all()
    assert (place[20:, :128] == 5 + 1 * SIDE_STEP).all()  # was on the right, zone 5
    assert (place[20:, 128:] == 3 + 2 * SIDE_STEP).all()


def test_the_same_seed_gives_the_same_photo_and_another_seed_another() -> None:
    chain, (photo, labels) = training_augmentation(SMALL), labelled()
    drawn = []
    for seed in (5, 6, 5):
        chain.set_random_seed(seed)
        drawn.append(chain(image=photo, mask=labels))
    assert np.array_equal(drawn[0]["image"], drawn[2]["image"]) and np.array_equal(drawn[0]["mask"], drawn[2]["mask"])
    assert not np.array_equal(drawn[0]["image"], drawn[1]["image"])


def test_masks_stay_on_what_they_mark() -> None:
    chain, (photo, labels) = training_augmentation(SMALL), labelled()
    seen = 0
    for seed in range(60):
        chain.set_random_seed(seed)
        changed = chain(image=photo, mask=labels)
        marked = changed["mask"][:, :, CUES_LOW] == 4
        image = changed["image"].astype(int)
        red = image[:, :, 0] - image[:, :, 1] > 70
        if marked.sum() < 50 or not red.any():  # cropped away, or turned grey
            continue
        seen += 1
        assert (red & marked).sum() / (red | marked).sum() > 0.6  # blur and noise soften the edge
    assert seen > 30


def test_crops_are_moved_onto_cues_but_whole_views_keep_everything() -> None:
    photo = np.zeros((384, 512, 3), np.uint8)
    labels = np.zeros((384, 512, 4), np.uint8)
    labels[180:188, 250:258, CUES_LOW] = 1

    def kept(chain: A.Compose) -> float:
        hits = 0
        for seed in range(60):
            chain.set_random_seed(seed)
            hits += bool(chain(image=photo, mask=labels)["mask"][:, :, CUES_LOW].any())
        return hits / 60

    close = Augmentation(height=96, width=128, least_area=0.1, cue_centred=1.0)
    assert kept(training_augmentation(close)) > 0.9
    assert kept(training_augmentation(close, whole=True)) > 0.9
    assert kept(training_augmentation(close.model_copy(update={"cue_centred": 0.0}))) < 0.9


def test_what_comes_in_from_outside_the_photo_is_unknown() -> None:
    photo, labels = np.full((192, 256, 3), 200, np.uint8), np.zeros((192, 256, 4), np.uint8)
    labels[:, :, SURFACE] = 2
    chain = training_augmentation(Augmentation(height=96, width=128, rotation_deg=6))
    values = set()
    for seed in range(40):
        chain.set_random_seed(seed)
        values |= set(np.unique(chain(image=photo, mask=labels)["mask"][:, :, SURFACE]).tolist())
    assert values == {2, UNKNOWN_CLASS}


def test_a_hue_shift_that_makes_another_paint_is_refused() -> None:
    with pytest.raises(ValidationError):
        Augmentation(hue_deg=30)


def test_a_random_filter_is_a_convolution_at_the_photos_own_contrast() -> None:
    # reference: scipy.ndimage.correlate, channel by channel
    from scipy.ndimage import correlate

    photo = np.random.default_rng(3).integers(60, 190, (40, 50, 3)).astype(np.uint8)
    kernel = np.random.default_rng(4).normal(0, 1, (3, 3, 3, 3)).astype(np.float32)
    filtered = np.stack(
        [sum(correlate(photo[..., i].astype(float), kernel[o, i], mode="mirror") for i in range(3)) for o in range(3)],
        axis=-1,
    )
    expected = (filtered - filtered.mean()) / filtered.std() * photo.std() + photo.mean()
    changed = RandomFilter(p=1).apply(photo, kernel, 0.6)
    assert np.abs(changed - np.clip(0.4 * photo + 0.6 * expected, 0, 255)).max() < 1.01


def test_a_random_filter_keeps_places_of_one_colour_alike() -> None:
    photo, _ = labelled()
    chain = A.Compose([RandomFilter(p=1)])
    changed_at_all = 0
    for seed in range(8):
        chain.set_random_seed(seed)
        changed = chain(image=photo)["image"].astype(int)
        plain = np.ones(photo.shape[:2], bool)
        plain[56:84, 96:134] = False  # near the red field
        assert (changed[plain] == changed[0, 0]).all()
        changed_at_all += bool((changed != photo).any())
    assert changed_at_all == 8
