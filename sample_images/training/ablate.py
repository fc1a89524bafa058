"""What each costly decision is worth: one network trained several times, one thing changed at a time.

    python -m training.ablate --scenes DIR --held DIR --start sceptic.onnx --encoder FILE.pth --out table.json

Run from `sample_images/`.  It asks the witness' question, of all the shortest to learn: whether there is ink at a mouth
and where it begins.  All runs take the same number of steps, from the same seed, and are scored on the same pictures
held out.  `--only` names some of the runs, so that several can go side by side; each adds its row to the table.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from . import mouths, nets, shelf, train

BATCH, RATE, REPAINTED = 64, 1.2e-3, 0.3


@dataclass(frozen=True)
class Run:
    """One way to train: where the encoder begins, how coarse its pictures are, the share of joints with ink painted on
    them, and the share of the scenes that it learns from."""

    begins: str = "sceptic"
    coarse: int = 1
    penned: float = 0.55
    scenes: float = 1.0


RUNS = {
    "as shipped": Run(),
    "from ImageNet": Run(begins="imagenet"),
    "from nothing": Run(begins="nothing"),
    "three stages of five": Run(begins="three"),
    "half the resolution": Run(coarse=2),
    "a quarter of it": Run(coarse=4),
    "one in five inked": Run(penned=0.2),
    "nine in ten inked": Run(penned=0.9),
    "half the scenes": Run(scenes=0.5),
    "an eighth": Run(scenes=0.125),
}


def network(run: Run, start: Path, encoder: Path, draw: train.Draw, device: str) -> nn.Module:
    """The witness as a run begins it."""
    if run.begins == "sceptic":
        return train.begin_at(nets.Witness(), start, draw, device)
    if run.begins == "imagenet":
        return train.begin_at(nets.Witness(), encoder, draw, device)
    net = nets.Witness()
    if run.begins == "three":
        net = nets.Witness(stages=3)
        net.encoder.load_pretrained(encoder)
    return net.to(device, memory_format=torch.channels_last).train()


def coarser(draw: train.Draw, times: int) -> train.Draw:
    """Pictures with so many times fewer cells a side, enlarged again."""
    if times == 1:
        return draw

    def drawn() -> tuple[Tensor, ...]:
        picture, *truth = draw()
        small = F.avg_pool2d(picture.float(), times)
        return F.interpolate(small, picture.shape[2:], mode="bilinear", align_corners=False), *truth

    return drawn


def learn(net: nn.Module, draw: train.Draw, steps: int, device: str) -> nn.Module:
    """So many steps on one cosine; the moving average of the weights."""
    course, average = train.Course(net, "witness", RATE, device), train.averaged(net)
    for step in range(steps):
        course.step(draw, step, step / steps)
        average.update_parameters(net)
    return average.module.eval()


def first_of(whole: shelf.Shelf, share: float) -> shelf.Shelf:
    """The shelf with its first pictures alone: scenes lie on it in the order in which they were read."""
    part = shelf.Shelf.__new__(shelf.Shelf)
    part.__dict__.update(whole.__dict__)
    part.count = max(1, int(whole.count * share))
    return part


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=Path, required=True, nargs="+", help="folders that studio.make filled")
    parser.add_argument("--held", type=Path, required=True, help="scenes to score on")
    parser.add_argument("--start", type=Path, required=True, help="the sceptic's weights")
    parser.add_argument("--encoder", type=Path, required=True, help="the encoder's ImageNet weights")
    parser.add_argument("--out", type=Path, required=True, help="table, a JSON line a run; rows are added")
    parser.add_argument("--steps", type=int, default=3000)
    parser.add_argument("--capacity", type=int, default=12000)
    parser.add_argument("--workers", type=int, default=6)
    parser.add_argument("--only", nargs="*", choices=tuple(RUNS), default=list(RUNS))
    args = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    readers = [shelf.Filler(where, ("close",), args.workers) for where in (args.scenes, [args.held])]
    known, held = (shelf.Shelf(size, device) for size in (args.capacity, 400))
    for reader, onto in zip(readers, (known, held), strict=True):
        for views in reader.fresh():
            for view in views:
                onto.put(view)
    for name in args.only:
        row = {"run": name, **scored(RUNS[name], args, known, held, device)}
        with args.out.open("a", encoding="utf-8") as table:
            print(json.dumps(row), file=table)
        print(row, flush=True)


def scored(run: Run, args: argparse.Namespace, known: shelf.Shelf, held: shelf.Shelf, device: str) -> dict[str, float]:
    """What a run comes to on the pictures held out."""
    torch.manual_seed(7)

    def drawing(from_: shelf.Shelf, repainted: float = 0.0, penned: float = 0.0) -> train.Draw:
        return coarser(lambda: mouths.sample(from_, BATCH, repainted, penned), run.coarse)

    few = [drawing(held)() for _ in range(12)]
    part = first_of(known, run.scenes)
    draw = drawing(part, REPAINTED, run.penned)
    begun = time.monotonic()
    net = learn(network(run, args.start, args.encoder, draw, device), draw, args.steps, device)
    numbers = sum(weight.numel() for weight in net.parameters())
    return {"pictures": part.count, "numbers": numbers, "steps": args.steps,
            "seconds": round(time.monotonic() - begun, 1), **train.evaluate(net, few, "witness", device)}


if __name__ == "__main__":
    main()
