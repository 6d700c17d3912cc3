"""The network: a picture goes in, logits of boundary and pore come out.

Works at half the picture's resolution from its first layer on; the last layer gives four values a map for the four
pixels of each 2 x 2 block. Skips are added, not concatenated, which halves the cost of the decoder.

What lies further away than its layers reach tells whether an even patch is the floor of a wide pore or the middle of a
large grain. So a second, small trunk sees the whole picture from afar, reduced to means and deviations of 8 x 8 blocks, and
what it finds at 1/16 is added to what the first one has there. Reduced so far, the whole picture is small, and the first
trunk goes on working on tiles that overlap by its own short reach.
"""

import jax
import jax.numpy as jnp

# Channels at 1/2, 1/4, 1/8 and 1/16 of the picture; multiples of 6, which the inference kernels compute at a time.
WIDTHS = (18, 42, 96, 162)
# Channels of the trunk that sees from afar, at 1/8, 1/16, 1/32 and 1/64; it gives those of the second.
FAR_WIDTHS = (12, 36, 72, 108)
# A block that is seen from afar: its mean and its deviation.
BLOCK_PX = 8
BLOCK_VALUES = 2
MAPS = ("boundary", "pore")
# What the part that says how far the count falls short starts from, all at 1/16: the surroundings, the deepest level of the
# first trunk, and the level above it on the way up. Then the units of its two layers.
SEEN = FAR_WIDTHS[1] + WIDTHS[-1] + WIDTHS[-2]
SHORTFALL_UNITS = 128
# Sides of a picture must be multiples of this: the whole is halved six times.
STEP_PX = 64
EPSILON = 1e-3


def trunk_layers(prefix, widths, last):
    """(name, kernel side, channels in, channels out, stride) of the convolutions of a trunk below its first level, down and
    up again to level `last`."""
    named = []
    for k in range(1, len(widths)):
        named += [(f"{prefix}down{k}a", 3, widths[k - 1], widths[k], 1), (f"{prefix}down{k}b", 3, widths[k], widths[k], 1)]
    for k in reversed(range(last, len(widths) - 1)):
        named += [(f"{prefix}lift{k}", 1, widths[k + 1], widths[k], 1)]
        named += [(f"{prefix}up{k}a", 3, widths[k], widths[k], 1), (f"{prefix}up{k}b", 3, widths[k], widths[k], 1)]
    return named


def layers():
    """(name, kernel side, channels in, channels out, stride) of every convolution but the head."""
    far, near = FAR_WIDTHS, WIDTHS
    return [
        ("far.down0a", 3, BLOCK_VALUES, far[0], 1), ("far.down0b", 3, far[0], far[0], 1),
        *trunk_layers("far.", far, 1),
        ("stem", 6, 1, near[0], 2), ("down0", 3, near[0], near[0], 1), ("join", 1, far[1], near[-2], 1),
        *trunk_layers("", near, 0),
    ]


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


def initial(key):
    """Parameters and running statistics of every layer."""
    parameters, running = {}, {}
    for name, side, inside, out, _ in layers():
        key, part = jax.random.split(key)
        parameters[name], running[name] = initial_layer(part, (side, side, inside, out))
    key, part = jax.random.split(key)
    out = 4 * len(MAPS)
    parameters["head"] = {
        "weight": 0.1 * jax.random.normal(part, (1, 1, WIDTHS[0], out)) / WIDTHS[0] ** 0.5,
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


def blocks(picture):
    """Means and deviations (batch, rows / 8, columns / 8, 2) of the blocks of a picture."""
    batch, rows, columns = picture.shape
    parts = picture.astype(jnp.float32).reshape(batch, rows // BLOCK_PX, BLOCK_PX, columns // BLOCK_PX, BLOCK_PX)
    mean = parts.mean((2, 4))
    # The slope of a root has no bound at 0.
    variance = jnp.maximum((parts**2).mean((2, 4)) - mean**2, 1e-6)
    return jnp.stack([mean, jnp.sqrt(variance)], axis=-1)


def trunk(layer, prefix, x, levels, last, joined=None):
    """Down from the first level to the last of `levels`, and up again to level `last`; `joined` is added to what the deepest
    level starts from."""
    skips = [x]
    for k in range(1, levels):
        x = jax.lax.reduce_window(x, -jnp.inf, jax.lax.max, (1, 2, 2, 1), (1, 2, 2, 1), "VALID")
        if joined is not None and k == levels - 1:
            x = x + joined
        x = layer(f"{prefix}down{k}b", layer(f"{prefix}down{k}a", x))
        skips.append(x)
    for k in reversed(range(last, levels - 1)):
        x = layer(f"{prefix}lift{k}", x, active=False)
        x = x.repeat(2, axis=1).repeat(2, axis=2) + skips[k]
        x = layer(f"{prefix}up{k}b", layer(f"{prefix}up{k}a", x))
    return x


def forward(parameters, running, picture, training):
    """Logits (batch, rows, columns, map) of standardised pictures (batch, rows, columns), and new running statistics."""
    new = {}
    strides = {name: stride for name, _, _, _, stride in layers()}

    def layer(name, x, active=True):
        own = parameters[name]
        x, new[name] = normalised(convolution(x, own["weight"], strides[name]), own, running[name], training)
        return jax.nn.relu(x) if active else x

    afar = layer("far.down0b", layer("far.down0a", blocks(picture).astype(picture.dtype)))
    afar = trunk(layer, "far.", afar, len(FAR_WIDTHS), 1)
    x = layer("down0", layer("stem", picture[..., None]))
    x = trunk(layer, "", x, len(WIDTHS), 0, layer("join", afar, active=False))
    head = parameters["head"]
    x = convolution(x, head["weight"], 1).astype(jnp.float32) + head["shift"]
    batch, rows, columns, _ = x.shape
    x = x.reshape(batch, rows, columns, len(MAPS), 2, 2)
    return x.transpose(0, 1, 4, 2, 5, 3).reshape(batch, 2 * rows, 2 * columns, len(MAPS)), new
