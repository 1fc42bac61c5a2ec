"""Find the same picture twice: the same file, or resized, compressed again, slightly cropped; not merely alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.photos import RepeatLimits, photo_settings
from pipeline.records import PhotoFindings

BLOCK = 1024  # rows compared at a time: 10,000 photos take 40 MB


@dataclass(frozen=True, slots=True)
class PhotoKey:
    """What it takes to know a photo again: its place in the batch, its digest, its perceptual hash (hex)."""

    advert: str
    photo: str
    sha256: str
    perceptual_hash: str

    @property
    def place(self) -> tuple[str, str]:
        return self.advert, self.photo


@dataclass(frozen=True, slots=True)
class Repeats:
    """For each photo with repeats, by (advert, photo): the others that show its picture, in batch order."""

    others: Mapping[tuple[str, str], tuple[tuple[str, str], ...]]


def find_repeats(photos: Sequence[PhotoKey], limits: RepeatLimits | None = None) -> Repeats:
    """Compare every photo of a batch with every other. All hashes must be of one length.

    Two photos are one picture when their bytes are the same or their perceptual hashes (Zauner 2010, DCT hash)
    differ in `limits.most_bits` bits or fewer; the hash of a plain picture says nothing and is not compared.
    """
    limits = limits or photo_settings().repeats
    others: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for first, second in sorted({*_same_bytes(photos), *_same_picture(photos, limits)}):
        others.setdefault(photos[first].place, []).append(photos[second].place)
        others.setdefault(photos[second].place, []).append(photos[first].place)
    order = {key.place: index for index, key in enumerate(photos)}
    return Repeats({place: tuple(sorted(found, key=order.__getitem__)) for place, found in others.items()})


def mark_repeats(findings: Sequence[PhotoFindings], repeats: Repeats) -> tuple[PhotoFindings, ...]:
    """Fill `duplicate_of` and `also_in`: of one picture an advert's largest photo is kept, the earlier of two equals.

    `findings` may be of one advert or of many, in any order; they come back in the order given.
    """
    kept_as: dict[tuple[str, str], str | None] = {}
    for item in sorted(findings, key=lambda item: -item.width * item.height):
        place = (item.advert, item.photo)
        kept_as[place] = next(
            (
                other
                for advert, other in repeats.others.get(place, ())
                if advert == item.advert and kept_as.get((advert, other), other) is None
            ),
            None,
        )
    return tuple(
        item.model_copy(
            update={
                "duplicate_of": kept_as[item.advert, item.photo],
                "also_in": tuple(
                    f"{advert}/{photo}"
                    for advert, photo in repeats.others.get((item.advert, item.photo), ())
                    if advert != item.advert
                ),
            }
        )
        for item in findings
    )


def _same_bytes(photos: Sequence[PhotoKey]) -> Iterator[tuple[int, int]]:
    by_digest: dict[str, list[int]] = {}
    for index, key in enumerate(photos):
        earlier = by_digest.setdefault(key.sha256, [])
        yield from ((other, index) for other in earlier)
        earlier.append(index)


def _same_picture(photos: Sequence[PhotoKey], limits: RepeatLimits) -> Iterator[tuple[int, int]]:
    """Pairs of indices, smaller first."""
    if not photos:
        return
    packed = np.frombuffer(bytes.fromhex("".join(key.perceptual_hash for key in photos)), np.uint8)
    bits = np.unpackbits(packed.reshape(len(photos), -1), axis=1)
    telling = np.flatnonzero(bits.sum(axis=1) >= limits.least_set_bits)
    # With bits as ±1 the product of two hashes of n bits that differ in d is n - 2d: comparing is a matrix product.
    signs: npt.NDArray[np.float32] = bits[telling].astype(np.float32) * 2 - 1
    least_product = bits.shape[1] - 2 * limits.most_bits
    for start in range(0, len(signs), BLOCK):
        products = signs[start : start + BLOCK] @ signs[start:].T
        for row, column in np.argwhere(products >= least_product):
            if row < column:
                yield int(telling[start + row]), int(telling[start + column])
