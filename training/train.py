"""Draws phantoms, learns boundary and pore maps from them, and writes the network as ONNX.

    python training/train.py --binary target/release/ceramograph --out OUT [--bodies FOLDER] [--without-each STEPS]

Writes OUT/grains.onnx, OUT/surroundings.onnx and OUT/training.json: settings, versions, and how the loss fell. With
--without-each it learns again for each look, without that look, and writes the networks into OUT/without-LOOK: how well
other looks carry over to it.
"""

import argparse
import json
import os
import platform
import tempfile
import time
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np
import onnx

from augment import crops, disturbed, turned
from export import far_model, near_model
from network import forward, initial
from optimiser import begun, changed, rate_at
from pictures import bodies, phantoms

# Seeds of drawn pictures below this are free for tests, benches and calibration.
FIRST_SEED = 1_000_000
# Squares of real bodies are few: together they are taken this often among all.
BODIES_SHARE = 0.12


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--binary", type=Path, required=True, help="the ceramograph program, which draws the phantoms")
    parser.add_argument("--out", type=Path, required=True, help="folder for what is written")
    parser.add_argument("--bodies", type=Path, help="folder of real packed bodies (images/, labels/)")
    parser.add_argument("--pictures", type=int, default=8000, help="phantoms that are drawn [%(default)s]")
    parser.add_argument("--side", type=int, default=640, help="side of a picture in px [%(default)s]")
    parser.add_argument("--crop", type=int, default=384, help="side of what is learned from at once in px [%(default)s]")
    parser.add_argument("--batch", type=int, default=32, help="squares in a step [%(default)s]")
    parser.add_argument("--steps", type=int, default=50000, help="steps [%(default)s]")
    parser.add_argument("--without-each", type=int, metavar="STEPS", help="learn again without each look, in so many steps")
    parser.add_argument("--rate", type=float, default=2e-3, help="largest learning rate [%(default)s]")
    parser.add_argument("--seed", type=int, default=1, help="seed of all random numbers [%(default)s]")
    parser.add_argument("--processes", type=int, default=os.cpu_count(), help="processes that draw [%(default)s]")
    parser.add_argument("--check-falls", action="store_true", help="fail unless the loss falls to 0.9 of its start or less")
    return parser.parse_args()


def loss_of(parameters, running, key, pictures, settings):
    """Binary cross entropy and Dice (Milletari et al. 2016) of both maps on random squares."""
    data, chosen = pictures
    keys = jax.random.split(key, 3)
    maps = turned(keys[1], crops(keys[0], data, chosen, *settings))
    picture = disturbed(keys[2], maps[0]).astype(jnp.bfloat16)
    truth = jnp.stack([maps[1], maps[2]], axis=-1).astype(jnp.float32)
    logits, running = forward(parameters, running, picture, training=True)
    entropy = jnp.maximum(logits, 0) - logits * truth + jnp.log1p(jnp.exp(-jnp.abs(logits)))
    likely = jax.nn.sigmoid(logits)
    both = 2 * (likely * truth).sum((0, 1, 2)) + 1
    dice = 1 - both / (likely.sum((0, 1, 2)) + truth.sum((0, 1, 2)) + 1)
    return 2 * entropy.mean((0, 1, 2)).sum() + 0.3 * dice.sum(), running


def make_step(settings, rate):
    @jax.jit
    def step(state, pictures, count, steps):
        parameters, running, moments, key = state
        key, part = jax.random.split(key)
        (loss, running), slope = jax.value_and_grad(loss_of, has_aux=True)(parameters, running, part, pictures, settings)
        parameters, moments = changed(parameters, moments, slope, rate_at(count / steps, rate), count)
        return (parameters, running, moments, key), loss

    return step


def learned(step, data, chosen, steps, seed):
    """Averaged parameters, running statistics and losses after so many steps on the chosen pictures."""
    parameters, running = initial(jax.random.key(seed))
    state = (parameters, running, begun(parameters), jax.random.key(seed + 1))
    losses = []
    begin = time.time()
    for count in range(1, steps + 1):
        state, loss = step(state, (data, chosen), float(count), float(steps))
        losses.append(loss)
        if count % max(1, steps // 10) == 0:
            print(f"step {count}: loss {float(jnp.stack(losses[-100:]).mean()):.4f}, {time.time() - begin:.0f} s", flush=True)
    _, running, (_, _, average), _ = state
    return jax.tree.map(np.asarray, average), jax.tree.map(np.asarray, running), np.array(jnp.stack(losses))


def chosen_pictures(looks, without, number, seed):
    """Numbers of pictures to draw from: phantoms of all looks but one, and real bodies, `number` in all.

    The look of powders shows bodies too, so real ones go with it.
    """
    random = np.random.default_rng(seed)
    real = [k for k, look in enumerate(looks) if look == "real" and without != "powder"]
    drawn = [k for k, look in enumerate(looks) if look not in ("real", without)]
    count = round(BODIES_SHARE * number) if real else 0
    return jnp.asarray(np.concatenate([random.choice(real, count), np.resize(random.permutation(drawn), number - count)]).astype(np.int32))


def write(folder, parameters, running):
    folder.mkdir(parents=True, exist_ok=True)
    for name, model in [("grains", near_model), ("surroundings", far_model)]:
        onnx.save(model(parameters, running, "made by training/train.py"), folder / f"{name}.onnx")


def main():
    options = arguments()
    begin = time.time()
    options.out.mkdir(parents=True, exist_ok=True)
    seeds = list(range(FIRST_SEED, FIRST_SEED + options.pictures))
    with tempfile.TemporaryDirectory() as scratch:
        data, looks = phantoms(options.binary.resolve(), Path(scratch), seeds, options.side, options.processes)
    counts = {look: looks.count(look) for look in sorted(set(looks))}
    names = []
    if options.bodies:
        real, names = bodies(options.bodies, options.side, options.seed)
        data = tuple(np.concatenate([d, r]) for d, r in zip(data, real))
        looks = looks + ["real"] * len(real[0])
    print(f"{counts}, {looks.count('real')} squares of real bodies after {time.time() - begin:.0f} s", flush=True)
    data = [jnp.asarray(maps) for maps in data]
    step = make_step((options.batch, options.crop), options.rate)
    chosen = chosen_pictures(looks, None, len(looks), options.seed)
    average, running, losses = learned(step, data, chosen, options.steps, options.seed)
    write(options.out, average, running)
    part = max(1, len(losses) // 10)
    settings = {name: value for name, value in vars(options).items() if name in
                ("pictures", "side", "crop", "batch", "steps", "without_each", "rate", "seed")}
    record = {
        "settings": settings,
        "phantoms": counts,
        "real_bodies": names,
        "parameters": int(sum(p.size for p in jax.tree.leaves(average))),
        "loss_first_tenth": float(losses[:part].mean()),
        "loss_last_tenth": float(losses[-part:].mean()),
        "seconds": round(time.time() - begin),
        "device": jax.devices()[0].device_kind,
        "versions": {"python": platform.python_version(), "jax": jax.__version__, "numpy": np.__version__, "onnx": onnx.__version__},
    }
    (options.out / "training.json").write_text(json.dumps(record, indent=2) + "\n")
    print(f"loss {record['loss_first_tenth']:.4f} -> {record['loss_last_tenth']:.4f} in {record['seconds']} s")
    if options.check_falls and not record["loss_last_tenth"] <= 0.9 * record["loss_first_tenth"]:
        raise SystemExit("the loss did not fall: the recipe is broken")
    for look in counts if options.without_each else ():
        print(f"without {look}", flush=True)
        chosen = chosen_pictures(looks, look, len(looks), options.seed)
        average, running, _ = learned(step, data, chosen, options.without_each, options.seed)
        write(options.out / f"without-{look}", average, running)


if __name__ == "__main__":
    main()
