"""Average two checkpoints of one network, one trained on from the other, and write the mean as ONNX and checkpoint.

    python -m training.average reader FIRST.pt SECOND.pt --share 0.7 --out sceptic.onnx

The mean of two that were trained on different worlds holds on both where either forgets one; `--share` is the second's
(with 0 the first is written as it is).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from torch import Tensor

from .train import NETS, SIDES, export


def mean_of(first: dict[str, Tensor], second: dict[str, Tensor], share: float) -> dict[str, Tensor]:
    """Weights and running statistics between two checkpoints; what only counts is taken from the second."""
    return {key: torch.lerp(first[key].float(), value.float(), share) if value.is_floating_point() else value
            for key, value in second.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("which", choices=sorted(SIDES))
    parser.add_argument("checkpoints", type=Path, nargs=2, metavar="CHECKPOINT")
    parser.add_argument("--share", type=float, default=0.5, help="of the second checkpoint, 0 to 1")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    first, second = (torch.load(path, map_location="cpu", weights_only=True) for path in args.checkpoints)
    net = NETS[args.which]()
    net.load_state_dict(mean_of(first, second, args.share))
    torch.save(net.state_dict(), args.out.with_suffix(".pt"))
    export(net.eval(), args.out, torch.zeros((1, *SIDES[args.which])))


if __name__ == "__main__":
    main()
