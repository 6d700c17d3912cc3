"""Lines of text as they stand beside scale bars, drawn in many fonts on many grounds."""

import io
import random
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

# Every sign that the reader knows; class 0 of the network is the blank of CTC.
SIGNS = " 0123456789.,ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyzµÅ×+-/:()%=#"
ROWS, COLUMNS = 32, 256
LONGEST = 20
UNITS = ["nm"] * 6 + ["µm"] * 8 + ["um"] * 2 + ["mm"] * 2 + ["Å", "pm", "cm", "m"]


def length_label(chance):
    """A length as printed beside a bar: mostly 1-2-5, now and then any number."""
    kind = chance.random()
    if kind < 0.65:
        digits = chance.choice(["1", "2", "5", "1", "2", "5", "3", "4", "10", "20", "50", "100", "200", "500", "10", "50", "100",
                                "200", "500", "25", "30", "40", "300", "400", "1000"])
    elif kind < 0.8:
        digits = chance.choice(["0.1", "0.2", "0.5", "0.25", "1.5", "2.5", "0.05", "0.01", "1.2", "0.4", "0.3"])
    elif kind < 0.93:
        digits = f"{chance.choice([1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 300, 500])}.{'0' * chance.choice([1, 1, 1, 2])}"
    else:
        digits = str(chance.choice([chance.randint(1, 999), round(chance.uniform(0.1, 99.9), chance.choice([1, 2]))]))
    if chance.random() < 0.15:
        digits = digits.replace(".", ",")
    return digits + chance.choice(["", " ", " "]) + chance.choice(UNITS)


def other_text(chance):
    """What else stands in an info strip, and signs in any order."""
    kind = chance.random()
    number = chance.choice([str(chance.randint(0, 9999)), f"{chance.uniform(0, 99):.1f}", f"{chance.uniform(0, 20):.2f}"])
    if kind < 0.45:
        pattern = chance.choice(["{}kV", "{} kV", "x{}k", "{}x", "×{}", "x {}", "WD {}mm", "{} pA", "Spot {}", "{} ms", "HV {}", "{}%",
                                 "Mag {}", "{}/{}", "{}:{}", "No. {}", "# {}", "({})", "{} K X", "{}-{}", "det {}", "{} V", "{} nA"])
        text = pattern.format(number, chance.randint(1, 60))
    elif kind < 0.7:
        text = number
    else:
        text = "".join(chance.choice(SIGNS) for _ in range(chance.randint(1, 12)))
    return " ".join(text.split())[:LONGEST] or "0"


def ground(random_, rows, columns, level):
    """A ground of this mean: even, sloping, or mottled like a micrograph."""
    kind = random_.random()
    grey = np.full((rows, columns), level, np.float32)
    if kind < 0.35:
        return grey
    coarse = random_.normal(size=(max(2, rows // random_.integers(3, 12)), max(2, columns // random_.integers(3, 30)))).astype(np.float32)
    wave = np.array(Image.fromarray(coarse).resize((columns, rows), Image.BICUBIC))
    return grey + wave * float(random_.uniform(2, 35 if kind > 0.6 else 8))


def drawn(seed, fonts):
    """A crop (ROWS, COLUMNS) of 8 bit and the text in it; '' where it holds no text."""
    chance, random_ = random.Random(seed), np.random.default_rng(seed)
    kind = chance.random()
    text = length_label(chance) if kind < 0.62 else other_text(chance) if kind < 0.95 else ""
    cap = float(np.exp(random_.uniform(np.log(6.5), np.log(34))))
    rows = max(10, round(cap / random_.uniform(0.45, 0.82)))
    columns = rows * COLUMNS // ROWS
    for _ in range(20):
        font = ImageFont.truetype(chance.choice(fonts), max(6, round(cap / 0.71)))
        box = font.getbbox(text or "0", anchor="ls")
        if box[2] - box[0] < 0.96 * columns and (not text or all(font.getmask(sign).size[0] for sign in text if sign != " ")):
            break
        text = length_label(chance)
    level = float(random_.uniform(0, 255))
    ink = float(np.clip(level + random_.choice([-1, 1]) * random_.uniform(45, 255), 0, 255))
    if abs(ink - level) < 45:
        ink = 255.0 if level < 128 else 0.0
    canvas = ground(random_, rows, columns, level)
    mask = Image.new("L", (columns, rows))
    pen = ImageDraw.Draw(mask)
    if chance.random() < 0.2:
        pen.fontmode = "1"
    width = box[2] - box[0]
    left = chance.uniform(0, max(0.0, columns - width)) - box[0]
    baseline = (rows + 0.95 * cap) / 2 + chance.uniform(-0.16, 0.12) * cap - (0.12 * cap if "µ" in text else 0)
    bold = chance.choice([0, 0, 0, 1]) if cap > 14 else 0
    if text:
        pen.text((left, baseline), text, fill=255, font=font, anchor="ls", stroke_width=bold)
    cover = np.array(mask, np.float32) / 255
    if chance.random() < 0.12:
        # A rim of the opposite tone keeps letters legible on any ground.
        rim = np.array(mask.filter(ImageFilter.MaxFilter(3)), np.float32) / 255
        canvas = canvas + rim * ((0.0 if ink > level else 255.0) - canvas)
    grey = canvas + cover * (ink - canvas)
    marks(chance, grey, ink, (rows, columns, cap, baseline))
    grey = Image.fromarray(np.clip(grey, 0, 255).astype(np.uint8))
    if chance.random() < 0.6:
        grey = grey.filter(ImageFilter.GaussianBlur(chance.uniform(0, 0.075) * cap))
    grey = np.array(grey, np.float32) + random_.normal(size=(rows, columns)) * chance.choice([0, 0, chance.uniform(0, 18)])
    grey = Image.fromarray(np.clip(grey, 0, 255).astype(np.uint8))
    if chance.random() < 0.3:
        store = io.BytesIO()
        grey.save(store, "JPEG", quality=chance.randint(35, 95))
        grey = Image.open(store).convert("L")
    return np.array(grey.resize((COLUMNS, ROWS), Image.BILINEAR)), text


def marks(chance, grey, ink, place):
    """The bar itself, the rim of a box or ticks beside the text, where the crop reaches them."""
    rows, columns, cap, baseline = place
    if chance.random() < 0.3:
        top = round(baseline + chance.uniform(0.3, 0.6) * cap) if chance.random() < 0.6 else round(chance.uniform(-0.1, 0.1) * cap)
        left, right = sorted((chance.randint(0, columns), chance.randint(0, columns)))
        thick = max(1, round(chance.uniform(0.06, 0.3) * cap))
        if top > baseline + 0.3 * cap or top + thick < baseline - 1.25 * cap:
            grey[max(0, top):max(0, top + thick), left:right] = ink
    if chance.random() < 0.12:
        at = chance.choice([0, columns - 2])
        grey[:, at:at + 2] = ink


def shard(seeds, fonts):
    crops, texts = zip(*(drawn(seed, fonts) for seed in seeds))
    return np.stack(crops), list(texts)


def text_pictures(seeds, fonts, processes):
    """Crops (picture, ROWS, COLUMNS), class numbers (picture, LONGEST) padded with 0, and the texts."""
    fonts = sorted(str(path) for path in Path(fonts).glob("**/*.ttf"))
    if not fonts:
        raise SystemExit("the folder of fonts holds no .ttf file")
    shards = [list(seeds)[k::processes * 4] for k in range(processes * 4)]
    # Fresh processes: a fork of one in which JAX runs can hang.
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        done = [job.result() for job in [pool.submit(shard, part, fonts) for part in shards if part]]
    texts = [text for _, part in done for text in part]
    classes = np.zeros((len(texts), LONGEST), np.uint8)
    for row, text in zip(classes, texts):
        row[:len(text)] = [SIGNS.index(sign) + 1 for sign in text]
    return np.concatenate([crops for crops, _ in done]), classes, texts
