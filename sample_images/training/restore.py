"""Shipped weights back into a network that can learn on.

An ONNX file holds convolutions with their batch normalisation folded in.  Each is taken as it is, its
normalisation set to do nothing, and then, once `settle` has seen what flows there, to do nothing while
measuring: mean and scatter of the flow as its statistics, the inverse as its affine part.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import torch
from torch import Tensor, nn


def _folded(path: Path, kind: str = "Conv") -> list[tuple[Tensor, Tensor]]:
    """Weight and bias of every convolution of the file, or of what else `kind` names, in order."""
    import onnx

    from .halve import single

    model = onnx.load(str(path))
    graph, weights = model.graph, single(model)
    stored = {name: torch.from_numpy(values.copy()).float() for name, values in weights.items()}
    pairs = []
    for node in graph.node:
        if node.op_type == kind:
            weight = stored[node.input[1]]
            bias = stored[node.input[2]] if len(node.input) > 2 else torch.zeros(len(weight))
            pairs.append((weight, bias))
    return pairs


_CONVOLUTIONS = (nn.Conv2d, nn.Conv1d)


def _used(net: nn.Module, probe: Tensor, kinds: tuple[type[nn.Module], ...]) -> list[nn.Module]:
    """Parts of these kinds in the order in which they are used."""
    order: list[nn.Module] = []
    hooks = [part.register_forward_hook(lambda part, *_: order.append(part)) for part in net.modules()
             if isinstance(part, kinds)]
    with torch.no_grad():
        net.eval()(probe)
    for hook in hooks:
        hook.remove()
    return order


def _convolutions(net: nn.Module, probe: Tensor) -> list[tuple[nn.Module, nn.BatchNorm2d | None]]:
    """Convolutions in the order in which they are used, each with the normalisation that follows it."""
    order = _used(net, probe, (*_CONVOLUTIONS, nn.BatchNorm2d))
    followers = [*order[1:], None]
    return [(part, after if isinstance(after, nn.BatchNorm2d) else None)
            for part, after in zip(order, followers, strict=True) if isinstance(part, _CONVOLUTIONS)]


def fits(net: nn.Module, path: Path, probe: Tensor) -> bool:
    """Whether an ONNX file has the network's convolutions, from the first on; its last heads it may lack."""
    used, stored = _convolutions(net, probe), _folded(path)
    return len(stored) <= len(used) and all(part.weight.shape == weight.shape
                                            for (part, _), (weight, _) in zip(used, stored, strict=False))


@torch.no_grad()
def restore(net: nn.Module, path: Path, probe: Tensor) -> None:
    """Take the weights of an ONNX file of this very network, or of one that lacked its last heads, which then begin
    anew; `probe`: one input of its shape."""
    used, stored = _convolutions(net, probe), _folded(path)
    if len(stored) > len(used):
        raise ValueError(f"{path} has {len(stored)} convolutions, the network {len(used)}")
    for (conv, norm), (weight, bias) in zip(used, stored, strict=False):
        conv.weight.copy_(weight)
        if norm is None:
            if conv.bias is not None:
                conv.bias.copy_(bias)
            continue
        norm.running_mean.zero_()
        norm.running_var.fill_(1 - norm.eps)
        norm.weight.fill_(1)
        norm.bias.copy_(bias)
    for linear, (weight, bias) in zip(_used(net, probe, (nn.Linear,)), _folded(path, "Gemm"), strict=False):
        linear.weight.copy_(weight)
        linear.bias.copy_(bias)


@torch.no_grad()
def settle(net: nn.Module, draw: Callable[[], Tensor], batches: int = 8) -> None:
    """Give the normalisations the statistics of what flows through them, leaving every output as it is."""
    sums = {part: [torch.zeros_like(part.running_mean), torch.zeros_like(part.running_mean)]
            for part in net.modules() if isinstance(part, nn.BatchNorm2d)}

    def note(part: nn.Module, inputs: tuple[Tensor, ...]) -> None:
        sums[part][0] += inputs[0].float().mean((0, 2, 3)) / batches
        sums[part][1] += (inputs[0].float() ** 2).mean((0, 2, 3)) / batches

    hooks = [part.register_forward_pre_hook(note) for part in sums]
    net.eval()
    for _ in range(batches):
        net(draw())
    for hook in hooks:
        hook.remove()
    for part, (mean, square) in sums.items():
        variance = (square - mean**2).clamp(min=1e-6)
        part.running_mean.copy_(mean)
        part.running_var.copy_(variance)
        part.weight.copy_((variance + part.eps).sqrt())
        part.bias.add_(mean)
    net.train()
