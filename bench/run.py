#!/usr/bin/env python3
"""make bench: this project and OpenCV in turn, in one go on one machine, as one table with ratios.

    python3 run.py [--frames 48] [--rounds 3] [--take DIR] [--files | --kernels] [--before DIR]

Everything is run --rounds times, turn and turn about, and the least time counts: what else the machine does can
only add to it. Ours is what a plain go build makes. Frames are also timed by the toolchain of the releases with the portable
vector package, by the plain loops alone, and by the plain build of another checkout (--before).

Of the jobs from files to files, ours is the whole of the process, and OpenCV's from the first plate read. Both read the
same 16-bit plates: those of twinplate demo, lines with the filter Sub in Huffman codes, as OpenCV's imwrite makes them too
and about as large; and the same pixels in PNG files without compression, which show what inflate takes.
"""
import argparse
import datetime
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
PYTHON = "/usr/bin/python3"  # which has Debian's OpenCV
SIMD = {"GOTOOLCHAIN": "go1.27.3", "GOEXPERIMENT": "simd"}

# 1, 2, 4 and so on, and as many as there are.
THREADS = sorted({min(1 << i, os.cpu_count()) for i in range(10)})

STORED, ESTIMATED, LIBDEFLATE = ", plates without compression", ", gain estimated", ", inflate by libdeflate"


def run(args, env=None, cwd=ROOT):
    done = subprocess.run(args, cwd=cwd, env={**os.environ, **(env or {})}, text=True, capture_output=True)
    if done.returncode:
        sys.exit(f"{' '.join(args)}:\n{done.stdout}{done.stderr}")
    return done.stdout


def library():
    """Whether a program can be built with libdeflate; where it cannot, its rows are left out."""
    found = shutil.which("gcc") and not subprocess.run(["gcc", "-fsyntax-only", "-x", "c", "-"], input="#include <libdeflate.h>\n", text=True, capture_output=True).returncode
    if not found:
        print("libdeflate and a C compiler are not here (Debian: libdeflate-dev, gcc): without the rows of it", file=sys.stderr)
    return found


def cpu():
    try:
        with open("/proc/cpuinfo") as f:
            text = f.read()
        return re.search(r"model name\s*: (.*)", text).group(1)
    except (OSError, AttributeError):
        return platform.processor()


def keep(least, key, ms):
    least[key] = min(ms, least.get(key, ms))


def frames(work, rounds, before):
    """Milliseconds by (who, size, what, threads), and who ours are."""
    least = {}
    builds = {"ours": (ROOT, {}, {}), "vector package": (ROOT, SIMD, {}), "plain loops": (ROOT, {}, {"GODEBUG": "cpu.avx2=off"})}
    if before:
        builds["before"] = (os.path.abspath(before), {}, {})
    for who, (root, env, _) in builds.items():
        run(["go", "test", "-c", "-o", os.path.join(work, who + ".test"), "./take"], env, root)
    for _ in range(rounds):
        for threads in THREADS:
            for who, (root, _, env) in builds.items():
                out = run([os.path.join(work, who + ".test"), "-test.run=^$", "-test.bench=Frame", "-test.benchtime=20x"],
                          {"GOMAXPROCS": str(threads), **env}, os.path.join(root, "take"))
                for size, what, ns in re.findall(r"Frame/(\d+x\d+)/(\w+)\S*\s+\d+\s+(\d+) ns/op", out):
                    keep(least, (who, size, what, threads), int(ns) / 1e6)
            for size in ("1920x1080", "4096x2160"):
                out = json.loads(run([PYTHON, os.path.join(HERE, "opencv_chain.py"), "--size", size, "--threads", str(threads)]))
                for what in ("frame", "resample", "composite"):
                    keep(least, ("OpenCV", size, what, threads), out[what]["least_ms"])
    return least, list(builds)


def takes(work, demo, count, rounds):
    """Seconds, by who, for the whole job from files to files."""
    program = os.path.join(work, "twinplate")
    run(["go", "build", "-o", program, "./cmd/twinplate"])
    with_library = library()
    if with_library:
        run(["go", "build", "-tags", "libdeflate", "-o", program + "-libdeflate", "./cmd/twinplate"])
    take = os.path.join(work, "take")
    if demo:
        shutil.copytree(demo, take)
    else:
        run([program, "demo", "--out", take, "--frames", "4", "--size", "1920x1080"])
    with open(os.path.join(take, "recipe.json")) as f:
        recipe = json.load(f)
    shutil.copy(os.path.join(take, "background", "0001.png"), os.path.join(take, "background.png"))
    recipe["gain"] = {str(n): recipe["gain"][str((n - 1) % 4 + 1)] for n in range(1, count + 1)}
    recipe.update(background="background.png", frames="", depth=8, write=["comp", "matte"])
    with open(os.path.join(take, "given.json"), "w") as f:
        json.dump(recipe, f)
    stored = os.path.join(work, "stored")
    run([PYTHON, "-c", "import cv2,glob,os,shutil,sys\n"
         "take,to=sys.argv[1:]\n"
         "for p in glob.glob(take+'/*.png')+glob.glob(take+'/color/000[1-4].png')+glob.glob(take+'/band/000[1-4].png'):\n"
         "  q=os.path.join(to,os.path.relpath(p,take)); os.makedirs(os.path.dirname(q),exist_ok=True); cv2.imwrite(q,cv2.imread(p,-1),[cv2.IMWRITE_PNG_COMPRESSION,0])\n"
         "shutil.copy(take+'/given.json',to)", take, stored])
    for d in (take, stored):
        for folder in ("color", "band"):
            for n in range(5, count + 1):
                shutil.copy(os.path.join(d, folder, f"{(n - 1) % 4 + 1:04d}.png"), os.path.join(d, folder, f"{n:04d}.png"))
    least = {}

    def job(who, args):
        before, start = os.times(), time.monotonic()
        out = json.loads(run(args))
        seconds, after = time.monotonic() - start, os.times()
        keep(least, who, seconds if who.startswith("ours") else out["seconds"])
        keep(least, who + ", processor", sum(after[2:4]) - sum(before[2:4]))

    def ours(who, take, *flags, program=program):
        shutil.rmtree(os.path.join(work, "ours"), ignore_errors=True)  # or its frames would be kept
        job(who, [program, "comp", "--recipe", os.path.join(take, "given.json"), "--json", "--out", os.path.join(work, "ours"), *flags])

    def theirs(who, take):
        job(who, [PYTHON, os.path.join(HERE, "opencv_comp.py"), take, os.path.join(take, "given.json"), os.path.join(work, "theirs")])

    pair = [program, "register", "--color", os.path.join(take, "color"), "--band", os.path.join(take, "band"),
            "--frames", "1", "--out", os.path.join(work, "geometry.json")]
    for _ in range(rounds):
        start = time.monotonic()
        run(pair)
        keep(least, "geometry", time.monotonic() - start)
        ours("ours" + STORED, stored)
        theirs("OpenCV" + STORED, stored)
        ours("ours" + ESTIMATED, take, "--gain", "auto")
        if with_library:
            ours("ours" + LIBDEFLATE, take, program=program + "-libdeflate")
        ours("ours", take)
        theirs("OpenCV", take)
    differ = run([PYTHON, "-c", "import cv2,sys,numpy as np\n"
                  "a,b=(cv2.imread(p,-1).astype(int) for p in sys.argv[1:])\n"
                  "print('%.3f' % np.abs(a-b).mean())",
                  os.path.join(work, "ours", "comp", "0001.png"), os.path.join(work, "theirs", "comp", "0001.png")])
    return least, differ.strip()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=48)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--take", help="a take of 4 HD frames that twinplate demo has drawn; without it one is drawn")
    parser.add_argument("--files", action="store_true", help="the jobs from files to files alone")
    parser.add_argument("--kernels", action="store_true", help="the frames in memory alone")
    parser.add_argument("--before", help="another checkout, whose plain build is timed beside this one's")
    args = parser.parse_args()
    ms, builds, seconds = {}, [], {}
    with tempfile.TemporaryDirectory() as work:
        if not args.files:
            ms, builds = frames(work, args.rounds, args.before)
        if not args.kernels:
            seconds, differ = takes(work, args.take, args.frames, args.rounds)
    print(f"{datetime.date.today()}, {cpu()}, {os.cpu_count()} cores, the least of {args.rounds} rounds; ours is a plain go build, the ratio is its to OpenCV")
    if ms:
        print_frames(ms, builds)
    if seconds:
        print_takes(seconds, args.frames)
        print(f"\nThe composites of both, 8-bit code values, differ by {differ} in the mean.")


def print_frames(ms, builds):
    sizes = ("1920x1080", "4096x2160")
    print(f"\n| what | threads | {' | '.join(builds)} | OpenCV | ratio |\n|---|---|{'---|' * len(builds)}---|---|")
    for size in sizes:
        for what in ("frame", "resample", "composite"):
            for threads in THREADS:
                if what == "composite" and threads > 1:
                    continue  # a whole frame on one core: a take has as many in flight as cores
                times = [ms[who, size, what, threads] for who in (*builds, "OpenCV")]
                print(f"| {size} {what} | {threads} | {' | '.join(f'{t:.1f} ms' for t in times)} | {times[-1] / times[0]:.1f} |")
    for size in sizes:
        w, h = map(int, size.split("x"))
        a, b = ms["ours", size, "composite", 1], ms["ours", size, "copy", 1]
        print(f"\n{size} composite, beside a copy of the same bytes ({48 * w * h / b / 1e6:.1f} GB/s): {a:.1f} ms, {b:.1f} ms (copy), {a / b:.2f} of the copy.")


def print_takes(seconds, n):
    print("\n| what | ours | OpenCV | ratio |\n|---|---|---|---|")
    for which in ("", LIBDEFLATE, STORED, ESTIMATED):
        who, other = "ours" + which, "OpenCV" + which.replace(ESTIMATED, "").replace(LIBDEFLATE, "")
        if who not in seconds:
            continue
        a, b = seconds[who], seconds[other]
        what = f"{n} HD frames, 16-bit PNG to 8-bit PNG" + which
        print(f"| {what} | {n / a:.1f} frames/s | {n / b:.1f} frames/s | {b / a:.1f} |")
        a, b = seconds[who + ", processor"], seconds[other + ", processor"]
        print(f"| the same, processor time | {1e3 * a / n:.0f} ms a frame | {1e3 * b / n:.0f} ms a frame | {b / a:.1f} |")
    print(f"| geometry from one HD pair, files read | {seconds['geometry']:.2f} s | | |")


if __name__ == "__main__":
    main()
