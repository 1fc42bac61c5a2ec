"""The same vehicle with none of the signs that are looked for: what it would look like had nothing happened there."""

from __future__ import annotations

from dataclasses import replace

import torch

from synthetic_data.paint import PartTable

# columns of the table whose first number says how much of a sign is there; 0 is none
BY_AMOUNT = ("mist", "veil", "coated", "fill", "wear", "peeling", "sag", "gum", "filler")
LEFT_BY_A_TOOL = (1, 2, 3)  # kinds of texture that roller, brush or coarse coat leave; others belong to the part


def untouched(table: PartTable) -> PartTable:
    """The table without mist, coated heads, masking lines, residue, wear, flaws, filler, textures, and filled seams.

    A filled seam keeps its level shape, which the table does not hold; the line in it is open by its colours only.
    """
    columns = {name: getattr(table, name).clone() for name in table.__slots__}
    for name in BY_AMOUNT:
        columns[name][:, 0] = 0
    columns["filler"][:, 5:] = 0  # rubbed through, cracked
    columns["crazing"][:] = 0
    columns["crack"][:] = 0
    columns["masking"][:, 0] = -1
    by_tool = table.is_painted & torch.isin(table.texture[:, 0], torch.tensor(LEFT_BY_A_TOOL, device=table.kind.device))
    columns["texture"][by_tool, 0] = 0
    return replace(table, **columns)
