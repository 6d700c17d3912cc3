"""Random changes of pictures while learning: turns, grey curve, light, blur, noise. All run on the accelerator."""

import jax
import jax.numpy as jnp


def crops(key, pictures, chosen, batch, side_px):
    """Random squares (batch, side, side) of random ones of the chosen pictures, for grey levels and every map alike."""
    _, rows, columns = pictures[0].shape
    keys = jax.random.split(key, 3)
    which = chosen[jax.random.randint(keys[0], (batch,), 0, len(chosen))]
    top = jax.random.randint(keys[1], (batch,), 0, rows - side_px + 1)
    left = jax.random.randint(keys[2], (batch,), 0, columns - side_px + 1)

    def crop(maps):
        def one(index, y, x):
            return jax.lax.dynamic_slice(maps, (index, y, x), (1, side_px, side_px))[0]
        return jax.vmap(one)(which, top, left)

    return [crop(maps) for maps in pictures]


def turned(key, maps):
    """Each picture of the batch flipped and transposed at random, the same way in every map."""
    batch = maps[0].shape[0]
    for k, part in enumerate(jax.random.split(key, 3)):
        chosen = jax.random.bernoulli(part, 0.5, (batch, 1, 1))
        change = [lambda m: m[:, ::-1], lambda m: m[:, :, ::-1], lambda m: m.transpose(0, 2, 1)][k]
        maps = [jnp.where(chosen, change(m), m) for m in maps]
    return maps


def standardised(grey):
    """Mean 0 and standard deviation 1 for each picture; a flat one stays flat."""
    mean = grey.mean((1, 2), keepdims=True)
    spread = jnp.sqrt(((grey - mean) ** 2).mean((1, 2), keepdims=True))
    return (grey - mean) / jnp.maximum(spread, 1.0 / 255.0)


def blurred(grey, width):
    """Binomial blur mixed in by `width`, 0 to 1, for each picture."""
    for axis in (1, 2):
        soft = 0.5 * grey + 0.25 * (jnp.roll(grey, 1, axis) + jnp.roll(grey, -1, axis))
        grey = width * soft + (1 - width) * grey
    return grey


def disturbed(key, grey):
    """Standardised grey levels from 0-to-255 ones, changed at random."""
    batch, rows, columns = grey.shape
    keys = iter(jax.random.split(key, 16))

    def uniform(low, high, shape=(batch, 1, 1)):
        return jax.random.uniform(next(keys), shape, minval=low, maxval=high)

    grey = grey.astype(jnp.float32) / 255.0
    for _ in range(2):
        grey = blurred(grey, jnp.maximum(0.0, uniform(-1.5, 1.0)))
    grey = jnp.clip(grey, 0.0, 1.0) ** jnp.exp(uniform(-0.5, 0.5))
    y = jnp.linspace(-1, 1, rows)[None, :, None]
    x = jnp.linspace(-1, 1, columns)[None, None, :]
    light = uniform(-1, 1) * x + uniform(-1, 1) * y + uniform(-1, 1) * (x * x + y * y - 0.66)
    grey = grey * (1.0 + jnp.maximum(0.0, uniform(-0.2, 0.3)) * light)
    spread = jnp.maximum(0.0, uniform(-0.06, 0.1)) * jnp.minimum(grey.std((1, 2), keepdims=True) * 6, 1.0)
    grey = grey + spread * jax.random.normal(next(keys), grey.shape)
    grey = standardised(grey)
    # A crop's mean and spread are not those of the whole picture, which are used when measuring.
    return grey * jnp.exp(uniform(-0.3, 0.3)) + uniform(-0.4, 0.4)
