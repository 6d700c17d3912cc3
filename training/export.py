"""Writes the network as ONNX, normalisation folded into the convolutions, weights as 16-bit floats."""

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from network import BLOCK_VALUES, EPSILON, FAR_WIDTHS, MAPS, SEEN, SHORTFALL_UNITS, WIDTHS, layers

OPSET = 17


def folded(parameters, running, name):
    """Weight (out, in, rows, columns) and shift of a convolution with its normalisation in it."""
    own = parameters[name]
    weight = np.asarray(own["weight"], np.float64)
    shift = np.asarray(own["shift"], np.float64)
    if name in running:
        factor = np.asarray(own["scale"], np.float64) / np.sqrt(np.asarray(running[name]["variance"], np.float64) + EPSILON)
        shift = shift - np.asarray(running[name]["mean"], np.float64) * factor
        weight = weight * factor
    return weight.transpose(3, 2, 0, 1), shift


def half_constant(nodes, constants, name, values):
    """Keeps values as 16-bit floats and has them turned into 32-bit ones under this name."""
    constants.append(numpy_helper.from_array(values.astype(np.float16), f"{name}.half"))
    nodes.append(helper.make_node("Cast", [f"{name}.half"], [name], to=TensorProto.FLOAT))


def sound_model(graph, description):
    """The model of a graph, checked."""
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)], doc_string=description)
    model.ir_version = 8
    onnx.checker.check_model(model)
    return model


class Chain:
    """Nodes and constants of a graph that is being written."""

    def __init__(self, parameters, running):
        self.parameters, self.running = parameters, running
        self.nodes = []
        self.constants = [numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), "twice")]
        self.strides = {name: stride for name, *_, stride in layers()}

    def convolution(self, name, x, out):
        weight, shift = folded(self.parameters, self.running, name)
        half_constant(self.nodes, self.constants, f"{name}.weight", weight)
        half_constant(self.nodes, self.constants, f"{name}.shift", shift)
        stride = self.strides.get(name, 1)
        pad = (weight.shape[2] - stride) // 2
        self.nodes.append(helper.make_node(
            "Conv", [x, f"{name}.weight", f"{name}.shift"], [out], name=name,
            kernel_shape=weight.shape[2:], strides=[stride, stride], pads=[pad] * 4))
        return out

    def layer(self, name, x, out=None):
        out = out or f"{name}.out"
        self.nodes.append(helper.make_node("Relu", [self.convolution(name, x, f"{name}.sum")], [out]))
        return out

    def added(self, first, second, out):
        self.nodes.append(helper.make_node("Add", [first, second], [out]))
        return out

    def trunk(self, prefix, x, levels, last, joined=None, out=None):
        """As network.trunk; what comes out goes by the name `out`."""
        skips = [x]
        for k in range(1, levels):
            pooled = f"{prefix}pool{k}"
            self.nodes.append(helper.make_node("MaxPool", [x], [pooled], kernel_shape=[2, 2], strides=[2, 2]))
            if joined is not None and k == levels - 1:
                pooled = self.added(pooled, joined, f"{prefix}surrounded")
            x = self.layer(f"{prefix}down{k}b", self.layer(f"{prefix}down{k}a", pooled))
            skips.append(x)
        for k in reversed(range(last, levels - 1)):
            lifted = self.convolution(f"{prefix}lift{k}", x, f"{prefix}lift{k}.out")
            self.nodes.append(helper.make_node(
                "Resize", [lifted, "", "twice"], [f"{prefix}large{k}"], mode="nearest",
                coordinate_transformation_mode="asymmetric", nearest_mode="floor"))
            x = self.added(f"{prefix}large{k}", skips[k], f"{prefix}joined{k}")
            x = self.layer(f"{prefix}up{k}b", self.layer(f"{prefix}up{k}a", x), out if k == last else None)
        return x

    def shortfall(self):
        """How far the count falls short: one value a cell of 16 px, from a layer that sees `seen`. It says 0 until
        training/shortfall.py has learned it."""
        self.nodes += [
            helper.make_node("AveragePool", ["up2b.out"], ["up2b.pooled"], kernel_shape=[2, 2], strides=[2, 2]),
            helper.make_node("Concat", ["surroundings", "down3b.out", "up2b.pooled"], ["seen"], axis=1),
        ]
        widths = (SEEN, SHORTFALL_UNITS, SHORTFALL_UNITS, 1)
        for k, (inside, out) in enumerate(zip(widths, widths[1:])):
            self.parameters[f"shortfall{k}"] = {"weight": np.zeros((1, 1, inside, out)), "shift": np.zeros(out)}
        x = self.layer("shortfall1", self.layer("shortfall0", "seen"))
        self.convolution("shortfall2", x, "shortfall")

    def model(self, title, inputs, outputs, description):
        tensors = [[helper.make_tensor_value_info(name, TensorProto.FLOAT, shape) for name, shape in part] for part in (inputs, outputs)]
        return sound_model(helper.make_graph(self.nodes, title, *tensors, self.constants), description)


def far_model(parameters, running, description):
    """`blocks` (1, 2, rows / 8, columns / 8) of a whole picture to `surroundings` (1, 36, rows / 16, columns / 16)."""
    chain = Chain(parameters, running)
    x = chain.layer("far.down0b", chain.layer("far.down0a", "blocks"))
    chain.trunk("far.", x, len(FAR_WIDTHS), 1, out="surroundings")
    return chain.model(
        "a picture from afar", [("blocks", [1, BLOCK_VALUES, "block_rows", "block_columns"])],
        [("surroundings", [1, FAR_WIDTHS[1], "far_rows", "far_columns"])], description)


def near_model(parameters, running, description):
    """`picture` (1, 1, rows, columns), a part or the whole, and its `surroundings` (1, 36, rows / 16, columns / 16) to
    `maps` (1, 8, rows / 2, columns / 2), logits, and `shortfall` (1, 1, rows / 16, columns / 16), 0 for now."""
    chain = Chain(dict(parameters), running)
    joined = chain.convolution("join", "surroundings", "join.out")
    x = chain.layer("down0", chain.layer("stem", "picture"))
    chain.convolution("head", chain.trunk("", x, len(WIDTHS), 0, joined), "maps")
    chain.shortfall()
    return chain.model(
        "boundary and pore maps",
        [("picture", [1, 1, "rows", "columns"]), ("surroundings", [1, FAR_WIDTHS[1], "far_rows", "far_columns"])],
        [("maps", [1, 4 * len(MAPS), "half_rows", "half_columns"]), ("shortfall", [1, 1, "far_rows", "far_columns"])], description)
