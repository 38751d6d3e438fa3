#!/usr/bin/env python3
"""make scale: time and peak memory of comp against frame size and number of frames.

    python3 scale.py [--sizes 1920x1080,3840x2160,7680x4320] [--frames 10,100,1000] [--most 20]

One pair of plates is drawn for each size, by formulas; its files are linked under as many numbers as there are
frames, so that the disk holds one pair a size, and what comp has written is removed while it runs. The frames axis is
measured at the first size, the size axis with the first number of frames. Rows of more than --most gigapixels are left out.

"prepare" is what is done once for a take; the times a frame are without it. "processor" is the time of all cores
together, which other work on the machine hardly changes.
"""
import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import threading

import cv2
import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))


def draw(folder, w, h, count, kind):
    """A disk of cloth before the screen, both plates 16-bit linear, and a background; a TIFF has no compression."""
    x, y = np.arange(w, dtype=np.float32)[None, :], np.arange(h, dtype=np.float32)[:, None]
    alpha = np.clip((0.3 * h - np.hypot(x - w / 2, y - h / 2)) / 2 + 0.5, 0, 1)
    color = np.stack([alpha * (0.3 + 0.2 * np.sin(0.05 * x + c)) for c in range(3)], -1)
    band = 0.8 * (1 - alpha) + 0.02 * color.sum(-1)
    noise = np.random.default_rng(1)

    def code(p):
        return np.clip(65535 * (p + np.float32(0.003) * noise.standard_normal(p.shape, np.float32)) + 0.5, 0, 65535).astype(np.uint16)

    files = {"color": code(color), "band": code(band), "clean": code(np.full((h, w), 0.8, np.float32)),
             "background": code(np.full((h, w, 3), 0.5, np.float32))}
    for name, m in files.items():
        cv2.imwrite(os.path.join(folder, f"{name}.{kind}"), m, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    for name in ("color", "band"):
        os.mkdir(os.path.join(folder, name))
        for n in range(1, count + 1):
            os.link(os.path.join(folder, f"{name}.{kind}"), os.path.join(folder, name, f"{n:04d}.{kind}"))


def sweep(folder, done):
    """Removes finished frames until done: those that are being written have hidden names."""
    while not done.wait(1):
        for product in ("comp", "matte"):
            for e in os.scandir(os.path.join(folder, product)) if os.path.isdir(os.path.join(folder, product)) else ():
                if not e.name.startswith("."):
                    os.remove(e.path)


def comp(program, work, size, count, kind="png"):
    """The seconds of a run, by stage, with all cores' together as "processor", and the peak memory in MB."""
    w, h = map(int, size.split("x"))
    with tempfile.TemporaryDirectory(dir=work) as d:
        # By a process of its own: a child's peak is never less than its parent's.
        artist = multiprocessing.Process(target=draw, args=(d, w, h, count, kind))
        artist.start()
        artist.join()
        args = [program, "comp", "--json", "--color", d + "/color", "--band", d + "/band", "--clean-band", f"{d}/clean.{kind}",
                "--background", f"{d}/background.{kind}", "--format", "tiff" if kind == "tif" else "png", "--geometry", "none",
                "--crosstalk", "0.02,0.02,0.02", "--depth", "8", "--out", d + "/out"]
        for curve in ("color", "band", "background"):
            args += [f"--{curve}-curve", "linear"]
        done = threading.Event()
        sweeper = threading.Thread(target=sweep, args=(d + "/out", done))
        sweeper.start()
        child = subprocess.Popen(args, stdout=subprocess.PIPE)
        out = child.stdout.read()
        _, status, used = os.wait4(child.pid, 0)
        done.set()
        sweeper.join()
        if status:
            sys.exit(f"comp of {count} frames of {size} failed")
        seconds = json.loads(out)["seconds"]
        seconds["processor"] = used.ru_utime + used.ru_stime
        return seconds, used.ru_maxrss / 1024


def build(folder):
    """The command, by a plain go build."""
    program = os.path.join(folder, "twinplate")
    subprocess.run(["go", "build", "-o", program, "./cmd/twinplate"], cwd=os.path.dirname(HERE), check=True)
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
        print("| size | frames | seconds | of it prepare | s/frame | ns/pixel | processor s/frame | peak memory |\n|---|---|---|---|---|---|---|---|")
        for size, n in [(s, counts[0]) for s in sizes] + [(sizes[0], n) for n in counts[1:]]:
            w, h = map(int, size.split("x"))
            if w * h * n > args.most * 1e9:
                continue
            s, mb = comp(program, work, size, n)
            frame = (s["total"] - s["prepare"]) / n
            print(f"| {size} | {n} | {s['total']:.1f} | {s['prepare']:.1f} | {frame:.3f} | {1e9 * frame / w / h:.0f} | {s['processor'] / n:.3f} | {mb:.0f} MB |", flush=True)


if __name__ == "__main__":
    main()
