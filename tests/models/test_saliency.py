import numpy as np
import pytest
import torch
from sklearn.metrics import auc, jaccard_score

from models.network import Channels, CueNetwork
from models.saliency import CASCADE, cells_of, deletion, likeness, overlap_at_true_area, randomisation, randomised


@pytest.fixture(scope="module")
def network() -> CueNetwork:
    torch.manual_seed(0)
    return CueNetwork(Channels(cues=("filler", "masking_edge")), width=32, fine_width=16).eval()


def test_maps_of_a_randomised_network_are_not_those_of_the_network(network: CueNetwork) -> None:
    found = randomisation(network, torch.rand(2, 3, 96, 128))
    assert list(found) == ["as it is", *(parts[0] for parts in CASCADE)]
    assert found["as it is"] == pytest.approx(1)
    assert all(abs(value) < 0.6 for name, value in found.items() if name != "as it is")


def test_a_map_that_ignores_what_was_learnt_is_caught(network: CueNetwork) -> None:
    # An edge detector in place of the network: its maps stay the same whatever the weights (Adebayo et al., section 5)
    class Edges(CueNetwork):
        def forward(self, photos: torch.Tensor):  # type: ignore[no-untyped-def]
            maps = super().forward(photos)
            grey = photos.mean(1, keepdim=True)[:, :, ::4, ::4]
            return maps._replace(cues=(grey - grey.roll(1, 3)).abs().repeat(1, 2, 1, 1))

    torch.manual_seed(0)
    edges = Edges(network.channels, width=32, fine_width=16).eval()
    assert min(randomisation(edges, torch.rand(1, 3, 64, 64)).values()) == pytest.approx(1)


def test_randomising_goes_from_the_top_down_and_keeps_the_scale(network: CueNetwork) -> None:
    states = [
        (name, {key: value.clone() for key, value in changed.state_dict().items()})
        for name, changed in randomised(network)
    ]
    own, stem = network.state_dict(), "backbone.conv_stem.weight"
    assert all(torch.equal(state[stem], own[stem]) for _, state in states[:-1])
    name, last = states[-1]
    assert name == "backbone" and not torch.equal(last[stem], own[stem])
    assert float(last[stem].std()) == pytest.approx(float(own[stem].std()), rel=0.15)
    assert not torch.equal(states[0][1]["cues.2.weight"], own["cues.2.weight"])
    assert torch.equal(states[0][1]["mix_4.0.0.weight"], own["mix_4.0.0.weight"])


def test_a_map_without_contrast_is_like_nothing() -> None:
    maps = np.random.default_rng(0).normal(size=(1, 2, 5, 5)).astype(np.float32)
    flat = np.zeros_like(maps)
    assert likeness(maps, flat) == 0 and likeness(maps, -maps) == pytest.approx(-1)


def test_deleting_the_cause_first_lowers_the_score_fastest() -> None:
    rng = np.random.default_rng(0)
    photo = np.full((3, 64, 96), 0.2, np.float32)
    photo[0, 16:24, 32:40] = 1.0  # four cells of red are the whole cause

    def score(photos: np.ndarray) -> np.ndarray:
        return (photos[:, 0, 16:24, 32:40] > 0.6).mean((1, 2))

    cause = np.zeros((16, 24), np.float32)
    cause[4:6, 8:10] = 1
    good, random, wrong = (deletion(score, photo, heat) for heat in (cause, rng.random((16, 24), np.float32), -cause))
    assert good < 0.03 < random < wrong
    # By hand: the wrong map takes the cause out last. Reference: scikit-learn's area under the curve of (share, score)
    assert wrong == pytest.approx(auc([0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1], [1, 1, 1, 1, 1, 1, 1, 0]), abs=1e-6)


def test_overlap_needs_no_limit() -> None:
    mask = np.zeros((6, 8), bool)
    mask[1:3, 2:6] = True
    heat = np.random.default_rng(1).random((6, 8)).astype(np.float32)
    assert overlap_at_true_area(mask + heat / 10, mask) == 1
    hottest = np.zeros(48, bool)
    hottest[np.argsort(-heat, axis=None)[:8]] = True
    # Reference: scikit-learn's Jaccard score
    assert overlap_at_true_area(heat, mask) == pytest.approx(jaccard_score(mask.ravel(), hottest))
    assert np.isnan(overlap_at_true_area(heat, np.zeros((6, 8), bool)))


def test_a_single_pixel_marks_its_cell() -> None:
    mask = np.zeros((10, 14), np.uint8)
    mask[9, 13] = 1
    assert np.argwhere(cells_of(mask, 3, 4)).tolist() == [[2, 3]]
