"""Store a network's weights in half precision: `python -m training.halve surveyor.onnx`, in place.

The file halves.  The engine makes them single again when it loads them, so that nothing computes in half precision;
what changes is the rounding of each weight, by at most a part in two thousand.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

LEAST = 256  # numbers: smaller tensors aren't worth a node


def halved(model: onnx.ModelProto) -> onnx.ModelProto:
    """The same network, every large weight stored in half precision and cast back by a node of its own."""
    graph = model.graph
    casts = []
    for stored in graph.initializer:
        values = numpy_helper.to_array(stored)
        if values.dtype != np.float32 or values.size < LEAST:
            continue
        name = stored.name
        stored.CopyFrom(numpy_helper.from_array(values.astype(np.float16), f"{name}_half"))
        casts.append(helper.make_node("Cast", [f"{name}_half"], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.checker.check_model(model)
    return model


def main() -> None:
    path = Path(sys.argv[1])
    path.write_bytes(halved(onnx.load(str(path))).SerializeToString())


if __name__ == "__main__":
    main()
