"""Draws lines of text, learns to read them, and writes the reader as ONNX.

    python training/reader_train.py --fonts FONTS --out OUT

Writes OUT/reader.onnx and OUT/reader.json: settings, fonts, versions, and how many of the lines kept back are read right.
"""

import argparse
import json
import os
import time
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np
import onnx

from optimiser import begun, changed, rate_at
from reader_network import ctc_loss, forward, initial, onnx_model, standardised
from reader_text import SIGNS, text_pictures

# Seeds of lines that are kept back begin here.
FIRST_KEPT_BACK = 1_000_000_000


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--fonts", type=Path, required=True, help="folder of open fonts, .ttf")
    parser.add_argument("--out", type=Path, required=True, help="folder for what is written")
    parser.add_argument("--lines", type=int, default=240000, help="lines that are drawn [%(default)s]")
    parser.add_argument("--kept-back", type=int, default=4000, help="lines that it is tried on [%(default)s]")
    parser.add_argument("--batch", type=int, default=128, help="lines in a step [%(default)s]")
    parser.add_argument("--steps", type=int, default=30000, help="steps [%(default)s]")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop learning after so long [%(default)s]")
    parser.add_argument("--rate", type=float, default=2e-3, help="largest learning rate [%(default)s]")
    parser.add_argument("--seed", type=int, default=1, help="seed of all random numbers [%(default)s]")
    parser.add_argument("--processes", type=int, default=os.cpu_count(), help="processes that draw [%(default)s]")
    return parser.parse_args()


def disturbed(key, crops):
    """Negatives, other contrast, shifts by a px or two and noise, different each time that a line is shown."""
    keys = jax.random.split(key, 5)
    shape = (crops.shape[0], 1, 1)
    crops = jnp.roll(crops, jax.random.randint(keys[0], (), -8, 9), axis=2)
    crops = standardised(crops)
    crops = crops * jnp.where(jax.random.bernoulli(keys[1], 0.5, shape), 1.0, -1.0)
    noise = jnp.maximum(0.0, jax.random.uniform(keys[2], shape, minval=-0.15, maxval=0.25))
    crops = crops + noise * jax.random.normal(keys[3], crops.shape)
    return crops * jnp.exp(jax.random.uniform(keys[4], shape, minval=-0.2, maxval=0.2))


def make_step(rate):
    @jax.jit
    def step(state, crops, texts, count, share):
        parameters, running, moments, key = state
        key, part = jax.random.split(key)

        def loss_of(parameters):
            logits, new = forward(parameters, running, disturbed(part, crops).astype(jnp.bfloat16), training=True)
            return ctc_loss(logits, texts).mean(), new

        (loss, running), slope = jax.value_and_grad(loss_of, has_aux=True)(parameters)
        size = jnp.sqrt(sum((g * g).sum() for g in jax.tree.leaves(slope)))
        slope = jax.tree.map(lambda g: g * jnp.minimum(1.0, 5.0 / size), slope)
        parameters, moments = changed(parameters, moments, slope, rate_at(share, rate), count)
        return (parameters, running, moments, key), loss

    return step


def learned(options, crops, texts):
    """Averaged parameters, running statistics and losses; the rate follows the clock where that ends first."""
    parameters, running = initial(jax.random.key(options.seed))
    state = (parameters, running, begun(parameters), jax.random.key(options.seed + 1))
    step, random, losses = make_step(options.rate), np.random.default_rng(options.seed), []
    begin = time.time()
    for count in range(1, options.steps + 1):
        share = max(count / options.steps, (time.time() - begin) / options.seconds)
        which = random.integers(0, len(crops), options.batch)
        state, loss = step(state, jnp.asarray(crops[which]), jnp.asarray(texts[which], jnp.int32), float(count), float(min(share, 1.0)))
        if count % 10 == 1:
            losses.append(float(loss))
        if count % max(1, options.steps // 15) == 0:
            print(f"step {count}: loss {np.mean(losses[-20:]):.3f}, {time.time() - begin:.0f} s", flush=True)
        if share >= 1.0:
            break
    _, running, (_, _, average), _ = state
    return jax.tree.map(np.asarray, average), jax.tree.map(np.asarray, running), count, losses


def read(logits):
    """The likeliest sign at each step, repetitions and blanks left out."""
    best = np.asarray(logits.argmax(-1))
    kept = (best > 0) & np.concatenate([np.ones((len(best), 1), bool), best[:, 1:] != best[:, :-1]], axis=1)
    return ["".join(SIGNS[k - 1] for k in row[mask]) for row, mask in zip(best, kept)]


def main():
    options = arguments()
    begin = time.time()
    options.out.mkdir(parents=True, exist_ok=True)
    crops, classes, _ = text_pictures(range(options.lines), options.fonts, options.processes)
    print(f"{len(crops)} lines after {time.time() - begin:.0f} s", flush=True)
    average, running, steps, losses = learned(options, crops, classes)
    onnx.save(onnx_model(average, running, "made by training/reader_train.py"), options.out / "reader.onnx")
    others, _, texts = text_pictures(range(FIRST_KEPT_BACK, FIRST_KEPT_BACK + options.kept_back), options.fonts, options.processes)
    found = []
    for part in np.array_split(others, max(1, len(others) // 250)):
        found += read(forward(average, running, standardised(jnp.asarray(part)), training=False)[0])
    right = np.mean([a == b for a, b in zip(found, texts)])
    for a, b in [pair for pair in zip(found, texts) if pair[0] != pair[1]][:40]:
        print(f"{b!r} read as {a!r}")
    record = {
        "settings": {name: getattr(options, name) for name in ("lines", "batch", "steps", "rate", "seed")},
        "steps_done": steps,
        "fonts": sorted(path.stem for path in options.fonts.glob("**/*.ttf")),
        "parameters": int(sum(p.size for p in jax.tree.leaves(average))),
        "loss_first": losses[0],
        "loss_last": float(np.mean(losses[-max(1, len(losses) // 10):])),
        "kept_back_read_exactly": float(right),
        "seconds": round(time.time() - begin),
        "device": jax.devices()[0].device_kind,
        "versions": {"jax": jax.__version__, "numpy": np.__version__, "onnx": onnx.__version__},
    }
    (options.out / "reader.json").write_text(json.dumps(record, indent=2) + "\n")
    print(f"{100 * right:.2f} % of {len(texts)} lines kept back are read exactly; {steps} steps, {record['seconds']} s")


if __name__ == "__main__":
    main()
