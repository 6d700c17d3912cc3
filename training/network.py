"""The network: a picture goes in, logits of boundary and pore come out.

Works at half the picture's resolution from its first layer on; the last layer gives four values a map for the four
pixels of each 2 x 2 block. Skips are added, not concatenated, which halves the cost of the decoder.
"""

import jax
import jax.numpy as jnp

# Channels at 1/2, 1/4, 1/8 and 1/16 of the picture; multiples of 6, which the inference kernels compute at a time.
WIDTHS = (18, 42, 96, 162)
MAPS = ("boundary", "pore")
# Sides of a picture must be multiples of this.
STEP_PX = 16
EPSILON = 1e-3


def layers(widths=WIDTHS):
    """(name, kernel side, channels in, channels out, stride) of every convolution but the head, in order of use."""
    named = [("stem", 6, 1, widths[0], 2), ("down0", 3, widths[0], widths[0], 1)]
    for k in range(1, len(widths)):
        named += [(f"down{k}a", 3, widths[k - 1], widths[k], 1), (f"down{k}b", 3, widths[k], widths[k], 1)]
    for k in reversed(range(len(widths) - 1)):
        named += [(f"lift{k}", 1, widths[k + 1], widths[k], 1)]
        named += [(f"up{k}a", 3, widths[k], widths[k], 1), (f"up{k}b", 3, widths[k], widths[k], 1)]
    return named


def initial_layer(key, shape):
    """Parameters of a convolution (rows, columns, in, out) after He et al. (2015), and its running statistics."""
    rows, columns, inside, out = shape
    spread = (2.0 / (rows * columns * inside)) ** 0.5
    own = {"weight": spread * jax.random.normal(key, shape), "scale": jnp.ones(out), "shift": jnp.zeros(out)}
    return own, {"mean": jnp.zeros(out), "variance": jnp.ones(out)}


def normalised(x, own, running, training):
    """Batch normalisation (Ioffe and Szegedy 2015) of channels, and the running statistics after it."""
    mean, variance = running["mean"], running["variance"]
    if training:
        full = x.astype(jnp.float32)
        mean, variance = full.mean((0, 1, 2)), full.var((0, 1, 2))
        running = {"mean": 0.98 * running["mean"] + 0.02 * mean, "variance": 0.98 * running["variance"] + 0.02 * variance}
    factor = own["scale"] * jax.lax.rsqrt(variance + EPSILON)
    return x * factor.astype(x.dtype) + (own["shift"] - mean * factor).astype(x.dtype), running


def initial(key, widths=WIDTHS):
    """Parameters and running statistics of every layer."""
    parameters, running = {}, {}
    for name, side, inside, out, _ in layers(widths):
        key, part = jax.random.split(key)
        parameters[name], running[name] = initial_layer(part, (side, side, inside, out))
    key, part = jax.random.split(key)
    out = 4 * len(MAPS)
    parameters["head"] = {
        "weight": 0.1 * jax.random.normal(part, (1, 1, widths[0], out)) / widths[0] ** 0.5,
        # Boundaries and pores are rare: start from a probability of about 0.1.
        "shift": jnp.full(out, -2.2),
    }
    return parameters, running


def convolution(x, weight, stride):
    """Zero-padded so that stride 1 keeps the size and stride 2 halves it."""
    pad = (weight.shape[0] - stride) // 2
    return jax.lax.conv_general_dilated(
        x, weight.astype(x.dtype), (stride, stride), ((pad, pad), (pad, pad)),
        dimension_numbers=("NHWC", "HWIO", "NHWC"),
    )


def forward(parameters, running, picture, training, widths=WIDTHS):
    """Logits (batch, rows, columns, map) of standardised pictures (batch, rows, columns), and new running statistics."""
    new = {}
    strides = {name: stride for name, _, _, _, stride in layers(widths)}

    def layer(name, x, active=True):
        own = parameters[name]
        x, new[name] = normalised(convolution(x, own["weight"], strides[name]), own, running[name], training)
        return jax.nn.relu(x) if active else x

    x = layer("down0", layer("stem", picture[..., None]))
    skips = [x]
    for k in range(1, len(widths)):
        x = jax.lax.reduce_window(x, -jnp.inf, jax.lax.max, (1, 2, 2, 1), (1, 2, 2, 1), "VALID")
        x = layer(f"down{k}b", layer(f"down{k}a", x))
        skips.append(x)
    for k in reversed(range(len(widths) - 1)):
        x = layer(f"lift{k}", x, active=False)
        x = x.repeat(2, axis=1).repeat(2, axis=2) + skips[k]
        x = layer(f"up{k}b", layer(f"up{k}a", x))
    head = parameters["head"]
    x = convolution(x, head["weight"], 1).astype(jnp.float32) + head["shift"]
    batch, rows, columns, _ = x.shape
    x = x.reshape(batch, rows, columns, len(MAPS), 2, 2)
    return x.transpose(0, 1, 4, 2, 5, 3).reshape(batch, 2 * rows, 2 * columns, len(MAPS)), new
