"""Train a network and write it as ONNX.

    python -m training.train finder --scenes DIR --photos DIR --encoder FILE.pth --out finder.onnx
    python -m training.train reader --scenes DIR --encoder FILE.pth --out reader.onnx

Run from `sample_images/`.  One GPU, some five minutes each; fixed seeds; prints loss and held-out scores.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F
from torch.utils.data import DataLoader

from . import data, nets

IGNORE = 255
_FINDER_WEIGHTS = (1.0, 1.0, 1.5, 1.2, 2.5, 1.5)
_READER_WEIGHTS = (0.5, 1.0, 1.0, 2.5, 2.5, 1.5, 1.0, 2.0, 1.5)


def finder_loss(logits: Tensor, target: Tensor) -> Tensor:
    """Weighted cross entropy and soft Dice over the classes present."""
    weight = torch.tensor(_FINDER_WEIGHTS, device=logits.device)
    entropy = F.cross_entropy(logits, target, weight, ignore_index=IGNORE)
    return entropy + 0.5 * soft_dice(logits, target)


def soft_dice(logits: Tensor, target: Tensor) -> Tensor:
    known = (target != IGNORE)[:, None]
    share = logits.softmax(1) * known
    truth = F.one_hot(target.masked_fill(target == IGNORE, 0), logits.shape[1]).permute(0, 3, 1, 2) * known
    both, total = (share * truth).sum((0, 2, 3)), (share + truth).sum((0, 2, 3))
    present = truth.sum((0, 2, 3)) > 0
    return 1 - ((2 * both + 1) / (total + 1))[present].mean()


def reader_loss(logits: Tensor, target: Tensor, beyond: Tensor) -> Tensor:
    """Classes as for the finder; the mouth's map weighs most near the mouth, where it decides."""
    weight = torch.tensor(_READER_WEIGHTS, device=logits.device)
    entropy = F.cross_entropy(logits[:, :-1], target, weight, ignore_index=IGNORE)
    known = (beyond != IGNORE).float()
    truth = (beyond == 1).float()
    edge = F.max_pool1d(truth.flatten(0, 1), 21, 1, 10) + F.max_pool1d(-truth.flatten(0, 1), 21, 1, 10)
    stress = known * (1 + 5 * edge.view_as(truth))
    mouth = F.binary_cross_entropy_with_logits(logits[:, -1], truth, reduction="none")
    return entropy + 0.5 * soft_dice(logits[:, :-1], target) + (mouth * stress).sum() / stress.sum()


def scores(confusion: np.ndarray, names: tuple[str, ...]) -> dict[str, float]:
    """Intersection over union by class."""
    hit = np.diag(confusion)
    union = confusion.sum(0) + confusion.sum(1) - hit
    return {
        name: round(float(h / u), 3) if u else float("nan")
        for name, h, u in zip(names, hit, union, strict=True)
    }


@torch.no_grad()
def evaluate(
    net: nn.Module, batches: list[tuple[Tensor, ...]], names: tuple[str, ...], device: str
) -> dict[str, float]:
    """Held-out IoU by class; for the reader also the mouth's median and 95th percentile error in mm."""
    net.eval()
    confusion, mouth = np.zeros((len(names), len(names))), []
    for batch in batches:
        logits = net(batch[0].to(device).float()).float().cpu()
        best, target = logits[:, : len(names)].argmax(1), batch[1].long()
        known = target != IGNORE
        np.add.at(confusion, (target[known].numpy(), best[known].numpy()), 1)
        if len(batch) > 2:
            mouth.append(mouth_error(logits[:, -1].numpy(), batch[2].numpy()))
    net.train()
    result = scores(confusion, names)
    if mouth:
        error = np.concatenate(mouth) * 0.1
        result |= {
            "mouth_p50_mm": round(float(np.median(error)), 3),
            "mouth_p95_mm": round(float(np.quantile(error, 0.95)), 3),
        }
    return result


def mouth_error(logit: np.ndarray, beyond: np.ndarray) -> np.ndarray:
    """Median over each strip's rows of |count of cells beyond - truth|, in cells."""
    known = beyond != IGNORE
    whole = known.all(-1)
    share = 1 / (1 + np.exp(-np.clip(logit, -30, 30)))
    gap = (share * known).sum(-1) - ((beyond == 1) & known).sum(-1)
    errors = [abs(float(np.mean(g[w]))) for g, w in zip(gap, whole, strict=True) if w.sum() > 20]
    return np.array(errors or [np.nan])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("which", choices=("finder", "reader"))
    parser.add_argument("--scenes", type=Path, required=True, nargs="+")
    parser.add_argument("--photos", type=Path, nargs="*", default=[])
    parser.add_argument("--encoder", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="go on from this checkpoint")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--batch", type=int, default=0)
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--workers", type=int, default=7)
    args = parser.parse_args()
    torch.manual_seed(7)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    finder = args.which == "finder"
    names = nets.FINDER_CLASSES if finder else nets.STRIP_CLASSES
    net = nets.finder() if finder else nets.reader()
    net.encoder.load_pretrained(args.encoder)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location="cpu", weights_only=True))
    net = net.to(device, memory_format=torch.channels_last).train()
    every = [scene for folder in args.scenes for scene in data.scenes(folder)]
    held, used = every[::25], [scene for index, scene in enumerate(every) if index % 25]
    photos = [path for folder in args.photos for path in sorted(folder.glob("*.jpg"))]
    print(
        f"{args.which}: {len(used)} scenes, {len(held)} held out, {len(photos)} photos, on {device}",
        flush=True,
    )
    batch = args.batch or (32 if finder else 64)

    def make(scenes: list[data.Scene]) -> torch.utils.data.IterableDataset:
        return data.Frames(scenes, photos) if finder else data.Strips(scenes)

    loader = DataLoader(
        make(used),
        batch,
        num_workers=args.workers,
        prefetch_factor=4,
        persistent_workers=True,
        pin_memory=device == "cuda",
    )
    few = iter(DataLoader(make(held), batch, num_workers=0))
    batches = [next(few) for _ in range(4 if finder else 6)]
    optimizer = torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=1e-2)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.995), use_buffers=True
    )
    begin, step, log = time.monotonic(), 0, []
    source = iter(loader)
    while (past := (time.monotonic() - begin) / (args.minutes * 60)) < 1:
        for group in optimizer.param_groups:
            group["lr"] = args.rate * min(1.0, step / 100) * (0.5 + 0.5 * np.cos(np.pi * past)) + 1e-6
        items = [item.to(device, non_blocking=True) for item in next(source)]
        with torch.autocast(device, torch.bfloat16):
            logits = net(items[0].float().contiguous(memory_format=torch.channels_last))
        loss = (
            finder_loss(logits.float(), items[1].long())
            if finder
            else reader_loss(logits.float(), items[1].long(), items[2])
        )
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        average.update_parameters(net)
        step += 1
        log.append(loss.item())
        if step % 200 == 0:
            print(f"step {step} {past:.0%} loss {np.mean(log[-200:]):.4f}", flush=True)
        if step % 1000 == 0:
            print("  held out", json.dumps(evaluate(average.module, batches, names, device)), flush=True)
    final = average.module.eval()
    print(f"done: {step} steps;", json.dumps(evaluate(final, batches, names, device)), flush=True)
    final = final.eval().cpu().to(memory_format=torch.contiguous_format)
    torch.save(final.state_dict(), args.out.with_suffix(".pt"))
    args.out.with_suffix(".curve.json").write_text(
        json.dumps([round(float(np.mean(log[i : i + 50])), 4) for i in range(0, len(log), 50)])
    )
    shape = (1, 3, 480, 640) if finder else (1, 3, 128, 512)
    torch.onnx.export(
        final,
        torch.zeros(shape),
        str(args.out),
        opset_version=13,
        input_names=["rgb"],
        output_names=["logits"],
        dynamo=False,
    )


if __name__ == "__main__":
    main()
