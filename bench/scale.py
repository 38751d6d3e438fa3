#!/usr/bin/env python3
"""make scale: time and peak memory of comp against frame size and number of frames.

    python3 scale.py [--sizes 1920x1080,3840x2160,7680x4320] [--frames 10,100,1000] [--most 20]

One pair of plates is drawn for each size, by formulas; its files are linked under as many numbers as there are
frames, so that the disk holds one pair a size. The frames axis is measured at the first size, the size axis with the
first number of frames. Rows of more than --most gigapixels are left out.
"""
import argparse
import json
import os
import subprocess
import sys
import tempfile

import cv2
import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
SIMD = {"GOTOOLCHAIN": "go1.27.3", "GOEXPERIMENT": "simd"}


def draw(folder, w, h, count, kind):
    """A disk of cloth before the screen, both plates 16-bit linear, and a background; a TIFF has no compression."""
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    alpha = np.clip((0.3 * h - np.hypot(x - w / 2, y - h / 2)) / 2 + 0.5, 0, 1)
    color = np.stack([alpha * (0.3 + 0.2 * np.sin(0.05 * x + c)) for c in range(3)], -1)
    band = 0.8 * (1 - alpha) + 0.02 * color.sum(-1)
    noise = np.random.default_rng(1)
    code = lambda p: np.clip(65535 * (p + noise.normal(0, 0.003, p.shape)) + 0.5, 0, 65535).astype(np.uint16)
    files = {"color": code(color), "band": code(band), "clean": code(np.full((h, w), 0.8)), "background": code(0.5 * np.ones((h, w, 3)))}
    for name, m in files.items():
        cv2.imwrite(os.path.join(folder, f"{name}.{kind}"), m, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    for name in ("color", "band"):
        os.mkdir(os.path.join(folder, name))
        for n in range(1, count + 1):
            os.link(os.path.join(folder, f"{name}.{kind}"), os.path.join(folder, name, f"{n:04d}.{kind}"))


def comp(program, work, size, count, kind="png"):
    w, h = map(int, size.split("x"))
    with tempfile.TemporaryDirectory(dir=work) as d:
        draw(d, w, h, count, kind)
        args = [program, "comp", "--json", "--color", d + "/color", "--band", d + "/band", "--clean-band", f"{d}/clean.{kind}",
                "--background", f"{d}/background.{kind}", "--format", "tiff" if kind == "tif" else "png", "--geometry", "none", "--crosstalk", "0.02,0.02,0.02", "--depth", "8",
                "--out", d + "/out"]
        for curve in ("color", "band", "background"):
            args += [f"--{curve}-curve", "linear"]
        child = subprocess.Popen(args, stdout=subprocess.PIPE)
        out = child.stdout.read()
        _, status, used = os.wait4(child.pid, 0)
        if status:
            sys.exit(f"comp of {count} frames of {size} failed")
        return json.loads(out)["seconds"]["total"], used.ru_maxrss / 1024


def build(folder):
    """The command with vectors."""
    program = os.path.join(folder, "twinplate")
    subprocess.run(["go", "build", "-o", program, "./cmd/twinplate"], cwd=os.path.dirname(HERE), env={**os.environ, **SIMD}, check=True)
    return program


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", default="1920x1080,3840x2160,7680x4320")
    parser.add_argument("--frames", default="10,100,1000")
    parser.add_argument("--most", type=float, default=20)
    args = parser.parse_args()
    sizes, counts = args.sizes.split(","), [int(n) for n in args.frames.split(",")]
    with tempfile.TemporaryDirectory() as work:
        program = build(work)
        print("| size | frames | seconds | s/frame | ns/pixel | peak memory |\n|---|---|---|---|---|---|")
        for size, n in [(s, counts[0]) for s in sizes] + [(sizes[0], n) for n in counts[1:]]:
            w, h = map(int, size.split("x"))
            if w * h * n > args.most * 1e9:
                continue
            seconds, mb = comp(program, work, size, n)
            print(f"| {size} | {n} | {seconds:.1f} | {seconds / n:.3f} | {1e9 * seconds / n / w / h:.0f} | {mb:.0f} MB |", flush=True)


if __name__ == "__main__":
    main()
