"""The optimiser: Adam with decoupled decay (Loshchilov and Hutter 2019), and an average of the weights on their way."""

import jax
import jax.numpy as jnp


def begun(parameters):
    """State at the start: both moments and the average."""
    zeros = jax.tree.map(jnp.zeros_like, parameters)
    return zeros, zeros, parameters


def rate_at(share, largest):
    """Rises over the first twentieth of the training, then falls along a cosine."""
    return largest * jnp.minimum(1.0, 20 * share) * (0.5 + 0.5 * jnp.cos(jnp.pi * share))


def changed(parameters, moments, slope, rate, count):
    """Parameters and state after step `count`, from 1."""
    first, second, average = moments
    first = jax.tree.map(lambda m, g: 0.9 * m + 0.1 * g, first, slope)
    second = jax.tree.map(lambda v, g: 0.99 * v + 0.01 * g * g, second, slope)

    def change(p, m, v):
        m, v = m / (1 - 0.9 ** count), v / (1 - 0.99 ** count)
        decay = 1e-4 * p if p.ndim > 1 else 0.0
        return p - rate * (m / (jnp.sqrt(v) + 1e-8) + decay)

    parameters = jax.tree.map(change, parameters, first, second)
    average = jax.tree.map(lambda a, p: a + (p - a) * jnp.maximum(0.002, 1 / (count + 1)), average, parameters)
    return parameters, (first, second, average)
