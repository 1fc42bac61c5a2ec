"""MixStyle: Zhou et al. 2021, "Domain generalization with MixStyle", equations 3 to 6; normalising by PyTorch."""

import pytest
import torch
from torch.nn import functional

from models.mix_style import add_mix_style, mix_style
from models.network import Channels, CueNetwork


def test_each_photo_gets_statistics_between_its_own_and_anothers() -> None:
    torch.manual_seed(3)
    maps = torch.randn(6, 4, 16, 20) * torch.rand(6, 4, 1, 1) + torch.randn(6, 4, 1, 1)
    torch.manual_seed(5)
    mixed = mix_style(maps)
    torch.manual_seed(5)
    own = torch.distributions.Beta(0.1, 0.1).sample((6, 1, 1, 1))
    other = torch.randperm(6)
    deviation, mean = torch.std_mean(maps, (2, 3), keepdim=True)
    expected = functional.instance_norm(maps) * (own * deviation + (1 - own) * deviation[other]) + (
        own * mean + (1 - own) * mean[other]
    )
    assert float((mixed - maps).abs().max()) > 0.1
    torch.testing.assert_close(mixed, expected, rtol=0, atol=0.01)  # PyTorch normalises by the biased variance


def test_places_alike_stay_alike() -> None:
    torch.manual_seed(1)
    maps = torch.randn(4, 3, 8, 8)
    maps[:, :, :, 4:] = maps[:, :, :, :4]
    mixed = mix_style(maps)
    torch.testing.assert_close(mixed[:, :, :, 4:], mixed[:, :, :, :4])


@pytest.mark.parametrize(
    ("training", "probability", "changes"), [(True, 1.0, True), (True, 0.0, False), (False, 1.0, False)]
)
def test_styles_are_mixed_in_training_only(training: bool, probability: float, changes: bool) -> None:
    torch.manual_seed(2)
    network = CueNetwork(Channels()).eval()
    photos = torch.rand(3, 3, 64, 64)
    with torch.inference_mode():
        before = network(photos).cues
        add_mix_style(network, probability)
        for place in (1, 2):  # the rest stays as screening runs it, so that only the mixing can change anything
            network.backbone.get_submodule("blocks").get_submodule(str(place)).training = training
        after = network(photos).cues
    assert torch.equal(before, after) is not changes
