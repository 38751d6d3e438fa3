#!/usr/bin/env python3
"""make bench: this project, OpenCV and FFmpeg in turn, in one go on one machine, as tables with ratios.

    python3 run.py [--frames 48] [--rounds 3] [--take DIR] [--files | --kernels] [--before DIR]

Everything is run --rounds times, turn and turn about, and the least time counts: what else the machine does can
only add to it. Ours is what a plain go build makes. Frames are also timed by the toolchain of the releases with the portable
vector package, by the plain loops alone, and by the plain build of another checkout (--before).

Of the jobs from files to files, ours is the whole of the process, and OpenCV's from the first plate read. Both read the
same 16-bit plates: those of twinplate demo, lines with the filter Sub in Huffman codes, as OpenCV's imwrite makes them too
and about as large; and the same pixels in PNG files without compression, which show what inflate takes.

From clips to a clip, both read the same ProRes 4:2:2 clips of those plates and write H.264 by the same encoder and settings.
FFmpeg's chain is perspective and maskedmerge, on the planes as they are coded: the band plate as it is for the matte, without
linear light, clean plates, crosstalk or distortion.
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


def measured(args, env=None):
    """What a program prints, and its seconds, its processor time and its peak of memory in MB, with the programs it starts."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as errors:
        start = time.monotonic()
        child = subprocess.Popen(args, cwd=ROOT, env={**os.environ, **(env or {})}, stdout=out, stderr=errors)
        _, status, used = os.wait4(child.pid, 0)
        seconds = time.monotonic() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        errors.seek(0)
        text = out.read()
        if child.returncode:
            sys.exit(f"{' '.join(args)}:\n{text}{errors.read()}")
    return text, seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


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

    def job(who, args, env=None, inside=False):
        out, seconds, processor, memory = measured(args, env)
        keep(least, who, json.loads(out)["seconds"] if inside else seconds)
        keep(least, who + ", processor", processor)
        keep(least, who + ", memory", memory)

    def ours(who, take, *flags, program=program, env=None):
        shutil.rmtree(os.path.join(work, "ours"), ignore_errors=True)  # or its frames would be kept
        job(who, [program, "comp", "--recipe", os.path.join(take, "given.json"), "--json", "--out", os.path.join(work, "ours"), *flags], env)

    def theirs(who, take):
        job(who, [PYTHON, os.path.join(HERE, "opencv_comp.py"), take, os.path.join(take, "given.json"), os.path.join(work, "theirs")], inside=True)

    plates = ["--color", os.path.join(take, "color"), "--band", os.path.join(take, "band")]
    register = [program, "register", *plates, "--out", os.path.join(work, "geometry.json"), "--frames"]
    references = [f"--{name}={os.path.join(take, name.replace('-', '_') + '.png')}" for name in ("clean-color", "clean-band", "dark-color", "dark-band")]
    prepare = [program, "comp", *plates, "--frames", f"1-{min(count, PREPARED)}", "--save-recipe", os.path.join(work, "prepared.json"), "--replace", "--json"]
    moving = clips(work, take, recipe, count)
    clipped = [f"--{name}={os.path.join(work, 'clips', name + '.mov')}" for name in ("color", "band")]
    for _ in range(rounds):
        job("geometry of one pair", [*register, "1"])
        for threads in THREADS:
            cores = {"GOMAXPROCS": str(threads)}
            job(f"geometry, {threads}", [*register, "1-4"], cores)
            job(f"prepare, {threads}", [*prepare, *references], cores)
            job(f"prepare without references, {threads}", prepare, cores)
            ours(f"files, {threads}", take, env=cores)
            if moving:
                job(f"geometry of clips, {threads}", [program, "register", *clipped, "--out", os.path.join(work, "geometry.json"), "--frames", "1-4"], cores)
        if moving:
            recipe_of_clips, chain = moving
            job("clips", [program, "comp", "--recipe", recipe_of_clips, "--clip", os.path.join(work, "ours.mp4"), "--replace", "--json"])
            job("FFmpeg clips", chain)
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


PREPARED = 16  # HD frames, of which as many as it wants are read


def clips(work, take, recipe, count):
    """Makes clips of the take; the recipe for them, and FFmpeg's command that composites them. None where there is no FFmpeg."""
    if not shutil.which("ffmpeg"):
        print("ffmpeg is not here: without the rows of clips", file=sys.stderr)
        return None
    to = os.path.join(work, "clips")
    os.makedirs(to)
    tags = ["-color_primaries", "bt709", "-color_trc", "iec61966-2-1", "-colorspace", "bt709", "-color_range", "tv"]
    for name in ("color", "band", "background"):
        run(["ffmpeg", "-v", "error", "-stream_loop", "-1", "-framerate", "24", "-i", os.path.join(take, name, "%04d.png"), "-frames:v", str(count),
             "-vf", "scale=out_color_matrix=bt709:out_range=tv", "-c:v", "prores_ks", "-profile:v", "2", "-pix_fmt", "yuv422p10le", *tags, os.path.join(to, name + ".mov")])
    mine = dict(recipe, color="color.mov", band="band.mov", background="background.mov")
    mine.update({name: os.path.join(take, name + ".png") for name in ("clean_color", "clean_band", "dark_color", "dark_band")})
    for name in ("write", "depth", "band_weights"):
        mine.pop(name, None)
    path = os.path.join(to, "given.json")
    with open(path, "w") as f:
        json.dump(mine, f)
    # Where the corners of the color plate lie in the band plate, as the filter wants them, before the plate is mirrored.
    g = recipe["geometry"]
    h, (w, height) = g["homography"], g["color_size"]
    corners = []
    for x, y in ((0, 0), (w - 1, 0), (0, height - 1), (w - 1, height - 1)):
        d = h[6] * x + h[7] * y + h[8]
        corners += [(h[0] * x + h[1] * y + h[2]) / d, (h[3] * x + h[4] * y + h[5]) / d]
    place = "perspective=" + ":".join(f"{v:.3f}" for v in corners) + ":interpolation=cubic:sense=source"
    mirror = "hflip," if g["mirror"] else ""
    graph = (f"[1:v]extractplanes=y,format=gray,{mirror}{place},format=gray10le,split[y][c];[c]scale=iw/2:ih,split[u][v];"
             "[y][u][v]mergeplanes=0x001020:yuv422p10le[mask];[0:v][2:v][mask]maskedmerge,format=yuv420p")
    source = [v for name in ("color", "band", "background") for v in ("-i", os.path.join(to, name + ".mov"))]
    return path, ["ffmpeg", "-nostdin", "-y", "-v", "error", *source, "-filter_complex", graph, "-c:v", "libx264", "-preset", "fast", "-crf", "18",
                  "-movflags", "+faststart", os.path.join(work, "theirs.mp4")]


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
    print(f"| geometry from one HD pair, files read | {seconds['geometry of one pair']:.2f} s | | |")
    print(f"| memory of {n} frames | {seconds['ours, memory']:.0f} MB | {seconds['OpenCV, memory']:.0f} MB | {seconds['OpenCV, memory'] / seconds['ours, memory']:.1f} |")
    if "clips" in seconds:
        a, b = seconds["clips"], seconds["FFmpeg clips"]
        print("\n| what | ours | FFmpeg | ratio |\n|---|---|---|---|")
        print(f"| {n} HD frames, ProRes 4:2:2 clips to an H.264 clip | {n / a:.1f} frames/s | {n / b:.1f} frames/s | {b / a:.1f} |")
        a, b = seconds["clips, processor"], seconds["FFmpeg clips, processor"]
        print(f"| the same, processor time | {1e3 * a / n:.0f} ms a frame | {1e3 * b / n:.0f} ms a frame | {b / a:.1f} |")
        a, b = seconds["clips, memory"], seconds["FFmpeg clips, memory"]
        print(f"| memory of the largest program | {a:.0f} MB | {b:.0f} MB | {b / a:.1f} |")
    jobs = [(f"prepare {min(n, PREPARED)} HD frames", "prepare"), ("the same without reference plates", "prepare without references"),
            ("geometry of four HD frames", "geometry"), ("the same from ProRes clips", "geometry of clips"), (f"{n} HD frames, PNG to PNG", "files")]
    print(f"\n| seconds by cores | {' | '.join(map(str, THREADS))} | processor time on one | times faster |\n|---|{'---|' * len(THREADS)}---|---|")
    for what, key in jobs:
        if f"{key}, 1" not in seconds:
            continue  # there are no clips without FFmpeg
        times = [seconds[f"{key}, {t}"] for t in THREADS]
        print(f"| {what} | {' | '.join(f'{t:.2f}' for t in times)} | {seconds[f'{key}, 1, processor']:.2f} | {times[0] / times[-1]:.1f} |")


if __name__ == "__main__":
    main()
