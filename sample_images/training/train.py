"""Train a network and write it as ONNX.

    python -m training.train finder --scenes DIR --held DIR --photos DIR --start FILE --out finder.onnx
    python -m training.train spotter --scenes DIR --held DIR --photos DIR --start finder.onnx --out spotter.onnx
    python -m training.train reader --scenes DIR --held DIR --start FILE --out reader.onnx
    python -m training.train surveyor --scenes DIR --held DIR --start reader.onnx --out surveyor.onnx
    python -m training.train seamer --scenes DIR --held DIR --start surveyor.onnx --out seamer.onnx
    python -m training.train witness --scenes DIR --held DIR --start sceptic.onnx --out witness.onnx
    python -m training.train facer --scenes DIR --held DIR --start gauger.onnx --out facer.onnx
    python -m training.train edger --scenes DIR --held DIR --start sceptic.onnx --out edger.onnx

Run from `sample_images/`.  One GPU each; scenes may still be appearing while it trains.  Seeds are fixed; which
scenes are there at a step depends on the renderer's pace.  Prints loss and scores on scenes held out, and keeps a
checkpoint every 3,000 steps (`NAME-3000.pt`): a run on few scenes may be best before its end.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from . import aimed, edges, frames, lanes, mouths, nets, restore, seams, shelf, strips

IGNORE = 255
_FINDER_WEIGHTS = (1.0, 1.0, 1.5, 1.2, 2.5, 1.5)
SIDES_WEIGHT, KINDS_WEIGHT, MARK_WEIGHT = 0.25, 0.5, 0.5  # beside the mouth's
_READER_WEIGHTS = (0.5, 1.0, 1.0, 2.5, 2.5, 1.5, 1.0, 2.0, 1.5)


def finder_loss(logits: Tensor, target: Tensor) -> Tensor:
    """Weighted cross entropy and soft Dice over the classes present."""
    weight = torch.tensor(_FINDER_WEIGHTS, device=logits.device)
    entropy = F.cross_entropy(logits, target.long(), weight, ignore_index=IGNORE)
    return entropy + 0.5 * soft_dice(logits, target.long())


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
    target = target.long()
    entropy = F.cross_entropy(logits[:, :-1], target, weight, ignore_index=IGNORE)
    known = (beyond != IGNORE).float()
    truth = (beyond == 1).float()
    edge = F.max_pool1d(truth.flatten(0, 1), 21, 1, 10) + F.max_pool1d(-truth.flatten(0, 1), 21, 1, 10)
    stress = known * (1 + 5 * edge.view_as(truth))
    mouth = F.binary_cross_entropy_with_logits(logits[:, -1], truth, reduction="none")
    return entropy + 0.5 * soft_dice(logits[:, :-1], target) + (mouth * stress).sum() / stress.sum().clamp(min=1)


_TOLD = [lanes.COLUMNS, lanes.ROWS, lanes.ROWS, lanes.COLUMNS + 1]  # mouth, both sides, first ink or none


def surveyor_loss(out: Tensor | tuple[Tensor, Tensor], column: Tensor, sides: Tensor, kinds: Tensor,
                  mark: Tensor) -> Tensor:
    """Cross entropy of the mouth's column, the sides' rows, the mark's column, and in training of what cells show."""
    logits, cells = out if isinstance(out, tuple) else (out, None)
    mouth, *rows, line = logits.split(_TOLD, 1)
    loss = place_loss(mouth, column) + SIDES_WEIGHT * sum(place_loss(*each) for each in zip(rows, sides.T, strict=True))
    loss = loss + MARK_WEIGHT * mark_loss(line, mark)
    if cells is None:
        return loss
    return loss + KINDS_WEIGHT * F.cross_entropy(cells.float(), kinds, ignore_index=IGNORE)


def edger_loss(out: Tensor, rows: Tensor) -> Tensor:
    """Cross entropy of the side's row in either half."""
    return sum(place_loss(*each) for each in zip(out.chunk(2, 1), rows.T, strict=True)) / 2


def facer_loss(out: Tensor | tuple[Tensor, Tensor], column: Tensor, kinds: Tensor) -> Tensor:
    """Cross entropy of the cut's column, and in training of what cells show."""
    place, cells = out if isinstance(out, tuple) else (out, None)
    loss = place_loss(place, column)
    return loss if cells is None else loss + KINDS_WEIGHT * F.cross_entropy(cells.float(), kinds, ignore_index=IGNORE)


_SEAMED = [seams.COLUMNS, seams.COLUMNS + 1]  # mouth, first ink or none


def seamer_loss(out: Tensor | tuple[Tensor, Tensor], column: Tensor, kinds: Tensor, mark: Tensor) -> Tensor:
    """Cross entropy of the mouth's column, the mark's column, and in training of what cells show."""
    logits, cells = out if isinstance(out, tuple) else (out, None)
    mouth, line = logits.split(_SEAMED, 1)
    return facer_loss(mouth if cells is None else (mouth, cells), column, kinds) + MARK_WEIGHT * mark_loss(line, mark)


def witness_loss(out: Tensor | tuple[Tensor, Tensor], kinds: Tensor, mark: Tensor) -> Tensor:
    """Cross entropy of the mark's column, and in training of what cells show."""
    line, cells = out if isinstance(out, tuple) else (out, None)
    loss = mark_loss(line, mark)
    return loss if cells is None else loss + KINDS_WEIGHT * F.cross_entropy(cells.float(), kinds, ignore_index=IGNORE)


def place_loss(logits: Tensor, place: Tensor) -> Tensor:
    """Cross entropy against the two cells beside a place, each by its nearness."""
    known = torch.isfinite(place) & (place >= 0) & (place < logits.shape[1] - 1)
    place, chances = place[known], logits[known].log_softmax(1)
    left = place.floor().long()
    part = (place - left)[:, None]
    near = chances.gather(1, left[:, None]) * (1 - part) + chances.gather(1, left[:, None] + 1) * part
    return -near.mean() if known.any() else logits.sum() * 0


def mark_loss(logits: Tensor, mark: Tensor) -> Tensor:
    """Cross entropy of the column where ink begins, or of the last cell, for none."""
    known = torch.isfinite(mark)
    return F.cross_entropy(logits[known], mark[known].round().long()) if known.any() else logits.sum() * 0


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
    net: nn.Module, batches: list[tuple[Tensor, ...]], which: str, device: str
) -> dict[str, float]:
    """Held-out IoU by class; for the reader also the mouth's median and 95th percentile error in mm."""
    if which in PLACED:
        return PLACED[which](net, batches, device)
    names = NAMES[which]
    net.eval()
    confusion, mouth = np.zeros((len(names), len(names))), []
    for batch in batches:
        logits = net(batch[0].to(device).float()).float().cpu()
        best, target = logits[:, : len(names)].argmax(1), batch[1].long().cpu()
        known = target != IGNORE
        np.add.at(confusion, (target[known].numpy(), best[known].numpy()), 1)
        if len(batch) > 2:
            mouth.append(mouth_error(logits[:, -1].numpy(), batch[2].cpu().numpy()))
    net.train()
    result = scores(confusion, names)
    if mouth:
        error = np.concatenate(mouth) * 0.1
        error = error[np.isfinite(error)]
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


@torch.no_grad()
def _answers(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> Tensor:
    """What the network says of pictures held out."""
    net.eval()
    answers = torch.cat([net(batch[0].to(device).float()).float().cpu() for batch in batches])
    net.train()
    return answers


def survey(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> dict[str, float]:
    """Held out: losses, median and 95th percentile error, and how often two sigma hold it, of mouths and of sides."""
    answers = _answers(net, batches, device)
    column, sides, mark = (torch.cat([batch[i].cpu() for batch in batches]) for i in (1, 2, 4))
    mouth, *rows, line = answers.split(_TOLD, 1)
    side = 100 * 2 * lanes.WIDEST / lanes.ROWS  # a row, in hundredths of the pipe's half width
    return {**_told("mouth_mm", mouth, column, lanes.STEP_MM),
            **_told("side_pc", torch.cat(rows), torch.cat([sides[:, 0], sides[:, 1]]), side),
            **_ink_told(line, mark, lanes.STEP_MM)}


def edged(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> dict[str, float]:
    """Held out: loss, median and 95th percentile error, and how often two sigma hold it, of a pipe's side."""
    answers = _answers(net, batches, device)
    rows = torch.cat([batch[1].cpu() for batch in batches])
    return _told("side_pc", torch.cat(answers.chunk(2, 1)), torch.cat([rows[:, 0], rows[:, 1]]), 100 * edges.STEP)


def seamed(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> dict[str, float]:
    """Held out: loss, median and 95th percentile error, and how often two sigma hold it, of a mouth; and of ink."""
    answers = _answers(net, batches, device)
    column, mark = (torch.cat([batch[i].cpu() for batch in batches]) for i in (1, 3))
    mouth, line = answers.split(_SEAMED, 1)
    return {**_told("mouth_mm", mouth, column, seams.STEP_MM), **_ink_told(line, mark, seams.STEP_MM)}


def faced(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> dict[str, float]:
    """Held out: loss, median and 95th percentile error, and how often two sigma hold it, of a cut."""
    answers = _answers(net, batches, device)
    return _told("cut_mm", answers, torch.cat([batch[1].cpu() for batch in batches]), seams.STEP_MM)


def witnessed(net: nn.Module, batches: list[tuple[Tensor, ...]], device: str) -> dict[str, float]:
    """Held out: what is told of ink."""
    answers = _answers(net, batches, device)
    return _ink_told(answers, torch.cat([batch[2].cpu() for batch in batches]), mouths.STEP_MM)


def _ink_told(logits: Tensor, mark: Tensor, step_mm: float) -> dict[str, float]:
    """Loss; of the marked, how often most of the chance lies within 0.5 mm; of the unmarked, how often on none;
    and how many of the marked are surer of ink than nineteen in twenty of the unmarked."""
    share, near = logits.softmax(1), round(0.5 / step_mm)
    at = torch.arange(logits.shape[1] - 1)
    marked, bare = mark < len(at), mark == len(at)
    found = (share[:, :-1] * ((at - mark[:, None]).abs() <= near)).sum(1)[marked]
    figures = {"loss": mark_loss(logits, mark), "found": (found > 0.5).float().mean(),
               "none": (share[bare, -1] > 0.5).float().mean(),
               "apart": (_surely(share[marked]) > _surely(share[bare]).quantile(0.95)).float().mean()}
    return {f"mark_{key}": round(float(value), 3) for key, value in figures.items()}


def _surely(share: Tensor) -> Tensor:
    """How sure of ink, by probabilities whose last is that there is none."""
    return torch.logit(share[:, :-1].sum(1).clamp(1e-6, 1 - 1e-6))


def _told(name: str, logits: Tensor, place: Tensor, step: float) -> dict[str, float]:
    share, at = logits.softmax(1), torch.arange(logits.shape[1]).float()
    mean = share @ at
    known = torch.isfinite(place)
    error = step * (mean - place)[known].abs()
    sigma = step * (share @ at**2 - mean**2).clamp(min=0).sqrt()[known]
    figures = {"loss": place_loss(logits, place), "p50": error.median(), "p95": error.quantile(0.95),
               "sigma": sigma.median(), "within_2_sigma": (error < 2 * sigma + 0.2 * step).float().mean()}
    return {f"{name}_{key}": round(float(value), 3) for key, value in figures.items()}


Draw = Callable[[], tuple[Tensor, ...]]


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("which", choices=tuple(SIDES))
    parser.add_argument("--scenes", type=Path, required=True, nargs="+", help="folders that studio.make fills")
    parser.add_argument("--held", type=Path, required=True, help="scenes to score on, never trained on")
    parser.add_argument("--photos", type=Path, nargs="*", default=[], help="folders of photos without a joint")
    parser.add_argument("--start", type=Path, required=True,
                        help="where to begin: the encoder's .pth, shipped weights (.onnx) or a checkpoint (.pt)")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--batch", type=int, default=0)
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--workers", type=int, default=6)
    parser.add_argument("--capacity", type=int, default=12000,
                        help="pictures of a kind that the device's memory may hold; new ones then replace others")
    parser.add_argument("--repainted", type=float, default=0.0,
                        help="share of pictures whose parts get colours of their own; the finder's never do")
    parser.add_argument("--penned", type=float, default=0.0,
                        help="share of unmarked joints that get a line of ink, another each time")
    parser.add_argument("--least", type=int, default=200, help="scenes to wait for before the first step")
    return parser.parse_args()


def begin_at(net: nn.Module, start: Path, draw: Draw, device: str) -> nn.Module:
    """The network on the device, with the weights of `start`."""
    probe = torch.zeros_like(draw()[0][:1], device="cpu").float()
    grows = isinstance(net, nets.Surveyor | nets.Spotter | nets.Edger | nets.Facer | nets.Witness)
    if (grows and start.suffix == ".onnx" and not restore.fits(net, start, probe)):
        trunk = (nets.Surveyor if isinstance(net, nets.Facer) else nets.finder if isinstance(net, nets.Spotter)
                 else nets.reader)()
        channels = 6 if isinstance(net, nets.Facer) else 3
        net.begin(begin_at(trunk, start, lambda: (draw()[0][:, :channels],), device).cpu())
        return net.to(device, memory_format=torch.channels_last).train()
    if start.suffix == ".pth":
        net.encoder.load_pretrained(start)
    elif start.suffix == ".pt":
        net.load_state_dict(torch.load(start, map_location="cpu", weights_only=True))
    else:
        restore.restore(net, start, probe)
    net = net.to(device, memory_format=torch.channels_last)
    if start.suffix == ".onnx":
        restore.settle(net, lambda: draw()[0].float())
    return net.train()


def averaged(net: nn.Module) -> torch.optim.swa_utils.AveragedModel:
    """The moving average of a network's weights, which is what is kept."""
    return torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True)


class Course:
    """AdamW on one cosine, after a short rise."""

    def __init__(self, net: nn.Module, which: str, rate: float, device: str) -> None:
        self.net, self.loss, self.rate, self.device = net, LOSSES[which], rate, device
        self.optimizer = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-2)

    def step(self, draw: Draw, number: int, past: float) -> Tensor:
        """One step, and its loss; past: how much of the course is over, 0 to 1."""
        for group in self.optimizer.param_groups:
            group["lr"] = self.rate * min(1.0, (number + 1) / 200) * (0.5 + 0.5 * np.cos(np.pi * past)) + 1e-6
        with torch.no_grad():
            items = draw()
        with torch.autocast(self.device, torch.bfloat16):
            logits = self.net(items[0].contiguous(memory_format=torch.channels_last))
        loss = self.loss(_single(logits), *items[1:])
        self.optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimizer.step()
        return loss.detach()


def _train(net: nn.Module, args: argparse.Namespace, draw: Draw, held: list[tuple[Tensor, ...]],
           device: str) -> tuple[nn.Module, list[float]]:
    """AdamW on one cosine for `args.minutes`; returns the moving average and the losses."""
    course, average = Course(net, args.which, args.rate, device), averaged(net)
    begin, step, log = time.monotonic(), 0, []
    while (past := (time.monotonic() - begin) / (args.minutes * 60)) < 1:
        log.append(course.step(draw, step, past))
        average.update_parameters(net)
        step += 1
        if step % 500 == 0:
            print(f"step {step} {past:.0%} loss {torch.stack(log[-500:]).mean():.4f}", flush=True)
        if step % 3000 == 0:
            print("  held out", json.dumps(evaluate(average.module, held, args.which, device)), flush=True)
            torch.save(average.module.state_dict(), args.out.with_name(f"{args.out.stem}-{step}.pt"))
    return average.module.eval(), torch.stack(log).cpu().tolist()


def _single(out: Tensor | tuple[Tensor, ...]) -> Tensor | tuple[Tensor, ...]:
    return tuple(part.float() for part in out) if isinstance(out, tuple) else out.float()


def _save(net: nn.Module, out: Path, log: list[float], probe: Tensor) -> None:
    net = net.cpu().to(memory_format=torch.contiguous_format)
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    means = [round(float(np.mean(log[i : i + 100])), 4) for i in range(0, len(log), 100)]
    out.with_suffix(".curve.json").write_text(json.dumps(means))
    export(net, out, probe)


def export(net: nn.Module, out: Path, probe: Tensor) -> None:
    """The network as ONNX, for inputs of the probe's shape."""
    torch.onnx.export(net, probe, str(out), opset_version=13, input_names=["rgb"], output_names=["logits"],
                      dynamo=False)


SIDES = {"finder": (3, frames.HEIGHT, frames.WIDTH), "spotter": (3, aimed.HEIGHT, aimed.WIDTH),
         "reader": (3, strips.ROWS, strips.COLUMNS),
         "surveyor": (6, lanes.ROWS, lanes.COLUMNS), "edger": (3, edges.ROWS, edges.COLUMNS),
         "seamer": (6, lanes.ROWS, seams.COLUMNS), "witness": (3, strips.ROWS, mouths.COLUMNS),
         "facer": (6, lanes.ROWS, seams.COLUMNS)}
LOSSES: dict[str, Callable[..., Tensor]] = {
    "finder": finder_loss, "spotter": finder_loss, "reader": reader_loss, "surveyor": surveyor_loss,
    "edger": edger_loss, "seamer": seamer_loss, "witness": witness_loss, "facer": facer_loss}
NAMES = {"finder": nets.FINDER_CLASSES, "spotter": nets.FINDER_CLASSES, "reader": nets.STRIP_CLASSES}
# what tells places, not classes
PLACED = {"surveyor": survey, "edger": edged, "seamer": seamed, "witness": witnessed, "facer": faced}
NETS = {"finder": nets.finder, "spotter": nets.Spotter, "reader": nets.reader, "surveyor": nets.Surveyor,
        "edger": nets.Edger, "seamer": nets.Seamer, "witness": nets.Witness, "facer": nets.Facer}


def main() -> None:
    args = _arguments()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    finder = args.which == "finder"
    kinds = {"finder": ("frame", "close"), "spotter": ("look",)}.get(args.which, ("close",))
    filler, again = (shelf.Filler(where, kinds, args.workers) for where in (args.scenes, [args.held]))
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(7)
    shelves, held = ({close: shelf.Shelf(size if finder or close else 1, device) for close in (True, False)}
                     for size in (args.capacity, 400 if device == "cuda" else 20))
    paths = [path for folder in args.photos for path in sorted(folder.glob("*.jpg"))]
    photos = shelf.Shelf(max(1, len(paths)), device)
    for path in paths:
        photos.put(shelf.photo(path)[0])
    for views in again.fresh():
        for view in views:
            held[view.close].put(view)
    filler.keep_filling(shelves)
    while shelves[True].count < args.least:
        time.sleep(1)
    batch = args.batch or (32 if args.which in ("finder", "spotter") else 64)

    def drawing(from_: dict[bool, shelf.Shelf], repainted: float = 0.0, penned: float = 0.0) -> Draw:
        if finder:
            return lambda: frames.sample(from_, photos, batch)
        if args.which == "spotter":
            return lambda: aimed.sample(from_[True], photos, batch, repainted)
        if args.which == "edger":
            return lambda: edges.sample(from_[True], batch, repainted)
        if args.which == "facer":
            return lambda: seams.sample(from_[True], batch, repainted, bare=True)[:3]
        source = {"surveyor": lanes, "seamer": seams, "witness": mouths}.get(args.which, strips)
        return lambda: source.sample(from_[True], batch, repainted, penned)

    net = begin_at(NETS[args.which](), args.start, drawing(shelves), device)
    with torch.no_grad():
        few = [drawing(held)() for _ in range(6)]
    print(f"{args.which}: {shelves[True].count} pictures so far, {held[True].count} held out, {photos.count} photos, "
          f"on {device}", json.dumps(evaluate(net, few, args.which, device)), flush=True)
    final, log = _train(net, args, drawing(shelves, args.repainted, args.penned), few, device)
    print(f"done: {len(log)} steps on {shelves[True].count} close pictures;",
          json.dumps(evaluate(final, few, args.which, device)), flush=True)
    _save(final, args.out, log, torch.zeros((1, *SIDES[args.which])))


if __name__ == "__main__":
    main()
