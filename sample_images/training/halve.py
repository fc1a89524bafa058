"""Store a network's weights in 16 bits, its largest tensors in 8: `python -m training.halve seamer.onnx [--deep]`, in
place.

The file halves.  Each large weight becomes a whole number of its output channel's own steps, and a node of its own
turns it back when the engine loads the file, so that nothing computes in 16 bits; what changes is the rounding of each
weight, by at most a part in 65,000 of its channel's largest.

With --deep, tensors of LARGE numbers and more take 8 bits, and the file is a third of the size: those lie deep in the
network, where the rounding of single weights drowns in their number.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

LEAST = 256  # numbers: smaller tensors aren't worth two nodes
LARGE = 10_000
BITS = np.int16, np.int8


def halved(model: onnx.ModelProto, deep: bool = False) -> onnx.ModelProto:
    """The same network, every large weight stored in whole steps and made single precision again by two nodes."""
    graph = model.graph
    nodes, scales = [], []
    for stored in graph.initializer:
        values = numpy_helper.to_array(stored)
        if values.dtype != np.float32 or values.size < LEAST:
            continue
        name, kind = stored.name, BITS[int(deep and values.size >= LARGE)]
        largest = np.abs(values).reshape(len(values), -1).max(1).reshape(-1, *[1] * (values.ndim - 1))
        step = np.maximum(largest, 1e-30).astype(np.float32) / np.float32(np.iinfo(kind).max)
        scales.append(numpy_helper.from_array(step, f"{name}_step"))
        stored.CopyFrom(numpy_helper.from_array(np.round(values / step).astype(kind), f"{name}_steps"))
        nodes += [helper.make_node("Cast", [f"{name}_steps"], [f"{name}_many"], to=TensorProto.FLOAT),
                  helper.make_node("Mul", [f"{name}_many", f"{name}_step"], [name])]
    graph.initializer.extend(scales)
    nodes += graph.node
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.checker.check_model(model)
    return model


def single(model: onnx.ModelProto) -> dict[str, np.ndarray]:
    """Every weight of a network by the name under which it is used, in single precision, also of halved or quartered
    ones."""
    weights = {stored.name: numpy_helper.to_array(stored) for stored in model.graph.initializer}
    for node in model.graph.node:
        if node.op_type == "Cast" and node.input[0] in weights:
            weights[node.output[0]] = weights[node.input[0]].astype(np.float32)
        if node.op_type == "DequantizeLinear" and all(name in weights for name in node.input):
            steps, step, zero = (weights[name] for name in node.input)
            each = (-1, *[1] * (steps.ndim - 1)) if step.ndim else ()
            weights[node.output[0]] = (steps.astype(np.float32) - zero.reshape(each)) * step.reshape(each)
        if node.op_type == "Mul" and all(name in weights for name in node.input):
            weights[node.output[0]] = weights[node.input[0]] * weights[node.input[1]]
    return weights


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("path", type=Path)
    parser.add_argument("--deep", action="store_true", help=f"8 bits for tensors of {LARGE:,} numbers and more")
    args = parser.parse_args()
    args.path.write_bytes(halved(onnx.load(str(args.path)), args.deep).SerializeToString())


if __name__ == "__main__":
    main()
