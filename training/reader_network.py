"""The reader: a line of text goes in, a sign or a blank for every fourth column comes out."""

import jax
import jax.numpy as jnp
from onnx import TensorProto, helper

from export import folded, half_constant, sound_model
from network import initial_layer, normalised
from reader_text import ROWS, SIGNS

CLASSES = len(SIGNS) + 1
# Columns of the crop for one step of the answer.
COLUMN_STEP = 4
# (name, kernel rows, kernel columns, channels in, channels out, rows and columns that are joined afterwards).
LAYERS = [
    ("edge", 3, 3, 1, 24, (2, 2)),
    ("stroke1", 3, 3, 24, 48, (1, 1)),
    ("stroke2", 3, 3, 48, 48, (2, 2)),
    ("part1", 3, 3, 48, 64, (1, 1)),
    ("part2", 3, 3, 64, 64, (2, 1)),
    ("sign", 3, 3, 64, 96, (1, 1)),
    ("column", 4, 1, 96, 112, (1, 1)),
    ("word1", 1, 5, 112, 112, (1, 1)),
    ("word2", 1, 5, 112, 112, (1, 1)),
]


def padding(name, rows, columns):
    """Rows and columns of zeros on each side; `column` joins all rows that are left."""
    return (0, 0) if name == "column" else (rows // 2, columns // 2)


def initial(key):
    """Parameters and running statistics of every layer."""
    parameters, running = {}, {}
    for name, rows, columns, inside, out, _ in LAYERS:
        key, part = jax.random.split(key)
        parameters[name], running[name] = initial_layer(part, (rows, columns, inside, out))
    inside = LAYERS[-1][4]
    parameters["head"] = {"weight": jax.random.normal(key, (1, 1, inside, CLASSES)) / inside ** 0.5, "shift": jnp.zeros(CLASSES)}
    return parameters, running


def forward(parameters, running, crops, training):
    """Logits (crop, step, class) of standardised crops (crop, ROWS, columns), and new running statistics."""
    x, new = crops[..., None], {}
    for name, rows, columns, _, _, joined in LAYERS:
        own = parameters[name]
        up, side = padding(name, rows, columns)
        x = jax.lax.conv_general_dilated(x, own["weight"].astype(x.dtype), (1, 1), ((up, up), (side, side)),
                                         dimension_numbers=("NHWC", "HWIO", "NHWC"))
        x, new[name] = normalised(x, own, running[name], training)
        x = jax.nn.relu(x)
        if joined != (1, 1):
            x = jax.lax.reduce_window(x, -jnp.inf, jax.lax.max, (1, *joined, 1), (1, *joined, 1), "VALID")
    head = parameters["head"]
    x = x[:, 0].astype(jnp.float32)
    return x @ head["weight"][0, 0] + head["shift"], new


def standardised(crops):
    """Mean 0 and standard deviation 1 for each crop; a flat one stays flat."""
    crops = crops.astype(jnp.float32) / 255.0
    mean = crops.mean((1, 2), keepdims=True)
    spread = crops.std((1, 2), keepdims=True)
    return (crops - mean) / jnp.maximum(spread, 1.0 / 255.0)


def ctc_loss(logits, texts):
    """Negative logarithm of the probability of each text over all alignments (Graves et al. 2006)."""
    batch, longest = texts.shape
    chance = jax.nn.log_softmax(logits, axis=-1)
    states = jnp.zeros((batch, 2 * longest + 1), jnp.int32).at[:, 1::2].set(texts)
    # A sign may be reached from the sign before it without a blank between, if the two differ.
    skip = jnp.zeros(states.shape, bool).at[:, 3::2].set(texts[:, 1:] != texts[:, :-1])
    low = -1e9
    length = (texts > 0).sum(1)

    def emitted(step):
        return jnp.take_along_axis(step, states, axis=1)

    first = jnp.full(states.shape, low).at[:, :2].set(emitted(chance[:, 0])[:, :2])

    def advance(alpha, step):
        one = jnp.pad(alpha[:, :-1], ((0, 0), (1, 0)), constant_values=low)
        two = jnp.where(skip, jnp.pad(alpha[:, :-2], ((0, 0), (2, 0)), constant_values=low), low)
        return jnp.logaddexp(jnp.logaddexp(alpha, one), two) + emitted(step), None

    alpha, _ = jax.lax.scan(advance, first, chance[:, 1:].swapaxes(0, 1))
    last = jnp.take_along_axis(alpha, 2 * length[:, None], axis=1)[:, 0]
    before = jnp.take_along_axis(alpha, jnp.maximum(2 * length - 1, 0)[:, None], axis=1)[:, 0]
    return -jnp.where(length > 0, jnp.logaddexp(last, before), last)


def onnx_model(parameters, running, description):
    """The model: `crop` (1, 1, ROWS, columns) to `signs` (1, CLASSES, 1, columns / COLUMN_STEP), logits."""
    nodes, constants, x = [], [], "crop"
    for name, rows, columns, _, _, joined in [*LAYERS, ("head", 1, 1, None, None, (1, 1))]:
        for part, values in zip(("weight", "shift"), folded(parameters, running, name)):
            half_constant(nodes, constants, f"{name}.{part}", values)
        up, side = padding(name, rows, columns)
        out = "signs" if name == "head" else f"{name}.sum"
        nodes.append(helper.make_node("Conv", [x, f"{name}.weight", f"{name}.shift"], [out], name=name,
                                      kernel_shape=[rows, columns], pads=[up, side, up, side]))
        if name != "head":
            nodes.append(helper.make_node("Relu", [out], [f"{name}.out"]))
            x = f"{name}.out"
        if joined != (1, 1):
            nodes.append(helper.make_node("MaxPool", [x], [f"{name}.joined"], kernel_shape=joined, strides=joined))
            x = f"{name}.joined"
    graph = helper.make_graph(
        nodes, "signs of a line of text",
        [helper.make_tensor_value_info("crop", TensorProto.FLOAT, [1, 1, ROWS, "columns"])],
        [helper.make_tensor_value_info("signs", TensorProto.FLOAT, [1, CLASSES, 1, "steps"])],
        constants)
    return sound_model(graph, description)
