import pytest
import torch
from torchvision.ops import sigmoid_focal_loss

from models.losses import (
    IGNORE,
    UNKNOWN,
    LossWeights,
    Targets,
    dense_cross_entropy,
    dice_loss,
    focal_loss,
    known_bce,
    loss_terms,
    weighted_sum,
)
from models.network import CueMaps

CUES, ROWS, COLUMNS = 2, 6, 8


def maps() -> CueMaps:
    torch.manual_seed(1)
    shapes = [
        (2, CUES, ROWS, COLUMNS), (2, CUES), (2, 4, ROWS, COLUMNS), (2, 5, ROWS, COLUMNS), (2, 3, ROWS, COLUMNS),
        (2, 10), (2,), (2, 7),
    ]  # fmt: skip
    return CueMaps(*(torch.randn(shape, requires_grad=True) for shape in shapes))


def unknown() -> Targets:
    classes = torch.full((2, ROWS, COLUMNS), IGNORE)
    return Targets(
        cue_labels=torch.full((2, CUES), UNKNOWN),
        masks_known=torch.zeros(2, CUES, dtype=torch.bool),
        cue_masks=torch.zeros(2, CUES, ROWS, COLUMNS, dtype=torch.bool),
        surfaces=classes,
        zones=classes,
        sides=classes,
        shots=torch.full((2,), UNKNOWN),
        vehicle=torch.full((2,), UNKNOWN),
    )


def test_unknown_labels_carry_neither_loss_nor_gradient() -> None:
    outputs = maps()
    loss = weighted_sum(loss_terms(outputs, unknown(), LossWeights()), LossWeights())
    assert loss.item() == 0
    learnt = [output for name, output in outputs._asdict().items() if name != "features"]  # taught by the heads alone
    gradients = torch.autograd.grad(loss, learnt, allow_unused=False)
    assert all(not gradient.any() for gradient in gradients)


def test_a_known_label_of_one_photo_leaves_the_other_alone() -> None:
    outputs, targets = maps(), unknown()
    targets = targets._replace(
        cue_labels=torch.tensor([[1, UNKNOWN], [UNKNOWN, UNKNOWN]]),
        masks_known=torch.tensor([[True, False], [False, False]]),
        shots=torch.tensor([3, UNKNOWN]),
    )
    loss = weighted_sum(loss_terms(outputs, targets, LossWeights()), LossWeights())
    cues, scores, shots = torch.autograd.grad(loss, [outputs.cues, outputs.cue_scores, outputs.shots])
    assert cues[0, 0].any() and not cues[0, 1].any() and not cues[1].any()
    assert scores[0, 0] and not scores[0, 1] and not scores[1].any()
    assert shots[0].any() and not shots[1].any()


def test_focal_loss_is_torchvisions_over_the_positive_cells() -> None:
    # Reference: torchvision.ops.sigmoid_focal_loss without alpha, summed
    torch.manual_seed(2)
    logits, masks = torch.randn(3, 1, 20, 20), torch.rand(3, 1, 20, 20) < 0.3
    wanted = sigmoid_focal_loss(logits, masks.float(), alpha=-1, gamma=2, reduction="sum") / masks.sum()
    known = torch.ones(3, 1, dtype=torch.bool)
    assert focal_loss(logits, masks.float(), known, 2.0).item() == pytest.approx(wanted.item(), rel=1e-5)


def test_a_tiny_mask_weighs_as_much_as_a_large_one() -> None:
    def missed(cells: int) -> float:
        mask = torch.zeros(1, 1, 64, 64)
        mask.view(-1)[:cells] = 1
        logits = torch.full_like(mask, -12.0)  # sure that nothing is there
        return focal_loss(logits, mask, torch.ones(1, 1, dtype=torch.bool), 2.0).item()

    assert missed(64) == pytest.approx(missed(2048), rel=0.01)


def test_dice_is_zero_where_right_and_near_one_where_wrong() -> None:
    mask = torch.zeros(1, 1, 16, 16)
    mask[0, 0, :8] = 1
    known = torch.ones(1, 1, dtype=torch.bool)
    assert dice_loss(40 * (mask - 0.5), mask, known).item() == pytest.approx(0, abs=1e-3)
    assert dice_loss(-40 * (mask - 0.5), mask, known).item() == pytest.approx(1, abs=0.01)
    assert dice_loss(torch.zeros_like(mask), torch.zeros_like(mask), known).item() == 0  # no mask, nothing to overlap


def test_binary_and_dense_losses_average_over_the_known_only() -> None:
    logits, labels = torch.tensor([0.3, -2.0, 5.0]), torch.tensor([1, 0, UNKNOWN])
    wanted = torch.nn.functional.binary_cross_entropy_with_logits(logits[:2], torch.tensor([1.0, 0.0]))
    assert known_bce(logits, labels).item() == pytest.approx(wanted.item())
    classes = torch.full((1, 2, 2), IGNORE)
    classes[0, 0, 0] = 1
    maps_ = torch.randn(1, 3, 2, 2)
    wanted = torch.nn.functional.cross_entropy(maps_[:, :, 0, 0], torch.tensor([1]))
    assert dense_cross_entropy(maps_, classes).item() == pytest.approx(wanted.item())
