#!/usr/bin/env python3
"""make bench: this project, OpenCV and FFmpeg in turn, in one go on one machine, as tables with ratios.

    python3 run.py [--frames 48] [--clip-frames 96] [--rounds 3] [--take DIR] [--files | --kernels | --clips] [--before DIR]

Everything is run --rounds times, turn and turn about, and the least time counts: what else the machine does can
only add to it. Ours is what a plain go build makes. Frames are also timed by the toolchain of the releases with the portable
vector package, by the plain loops alone, and by the plain build of another checkout (--before).

Of the jobs from files to files, ours is the whole of the process, and OpenCV's from the first plate read. Both read the
same 16-bit plates: those of twinplate demo, lines with the filter Sub in Huffman codes, as OpenCV's imwrite makes them too
and about as large; and the same pixels in PNG files without compression, which show what inflate takes.

From clips to a clip, both read the same clips of those plates, ProRes 4:2:2 at 10 bits and H.264 4:2:0 at 8, and write H.264.
FFmpeg's chain is perspective and maskedmerge, on the planes as they are coded: the band plate as it is for the matte, without
linear light, clean plates, crosstalk or distortion. It is timed with the encoder's settings that ours has, and with those that
libx264 has by itself. Beside the times stand the size of each file and how much of its own picture the encoder has left: the
SSIM (luma) of the file against the frames that went into the encoder.
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


DRAWN = 16  # frames; clips have these again and again, and folders the first four


def drawn(work, demo):
    """Our program, a take of HD frames, and its recipe."""
    program = os.path.join(work, "twinplate")
    run(["go", "build", "-o", program, "./cmd/twinplate"])
    take = os.path.join(work, "take")
    if demo:
        shutil.copytree(demo, take)
    else:
        run([program, "demo", "--out", take, "--frames", str(DRAWN), "--size", "1920x1080"])
    with open(os.path.join(take, "recipe.json")) as f:
        return program, take, json.load(f)


def gains(recipe, count, loop):
    """The gains of so many frames, of which the first come again and again."""
    return {str(n): recipe["gain"][str((n - 1) % loop + 1)] for n in range(1, count + 1)}


def takes(work, program, take, recipe, count, rounds):
    """Seconds, by who, for the whole job from files to files."""
    with_library = library()
    if with_library:
        run(["go", "build", "-tags", "libdeflate", "-o", program + "-libdeflate", "./cmd/twinplate"])
    shutil.copy(os.path.join(take, "background", "0001.png"), os.path.join(take, "background.png"))
    with open(os.path.join(take, "given.json"), "w") as f:
        json.dump(dict(recipe, background="background.png", gain=gains(recipe, count, 4), frames="", depth=8, write=["comp", "matte"]), f)
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
    clips = bool(ffmpeg()) and encoded(work, take, 4, *CLIPS["ProRes 4:2:2"])
    clipped = clips and [f"--{name}={os.path.join(clips, name + '.mov')}" for name in ("color", "band")]
    for _ in range(rounds):
        job("geometry of one pair", [*register, "1"])
        for threads in THREADS:
            cores = {"GOMAXPROCS": str(threads)}
            job(f"geometry, {threads}", [*register, "1-4"], cores)
            job(f"prepare, {threads}", [*prepare, *references], cores)
            job(f"prepare without references, {threads}", prepare, cores)
            ours(f"files, {threads}", take, env=cores)
            if clipped:
                job(f"geometry of clips, {threads}", [program, "register", *clipped, "--out", os.path.join(work, "geometry.json"), "--frames", "1-4"], cores)
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


# Of clips: their ending, their pixels, and how FFmpeg makes them.
CLIPS = {
    "ProRes 4:2:2": (".mov", "yuv422p10le", ["-c:v", "prores_ks", "-profile:v", "2"]),
    "H.264": (".mp4", "yuv420p", ["-c:v", "libx264", "-preset", "fast", "-crf", "12", "-g", "12"]),  # a key frame each half second
}
CHAIN, DEFAULTS = "FFmpeg", "FFmpeg, its own settings"


def ffmpeg():
    """The path of FFmpeg; without it there are no rows of clips."""
    found = shutil.which("ffmpeg")
    if not found:
        print("ffmpeg is not here: without the rows of clips", file=sys.stderr)
    return found


def encoded(work, take, count, ending, pixels, codec):
    """The folder of clips of the take's plates, so many frames each."""
    to = tempfile.mkdtemp(dir=work)
    tags = ["-color_primaries", "bt709", "-color_trc", "iec61966-2-1", "-colorspace", "bt709", "-color_range", "tv"]
    for name in ("color", "band", "background"):
        run(["ffmpeg", "-v", "error", "-stream_loop", "-1", "-framerate", "24", "-i", os.path.join(take, name, "%04d.png"), "-frames:v", str(count),
             "-vf", "scale=out_color_matrix=bt709:out_range=tv", *codec, "-pix_fmt", pixels, *tags, os.path.join(to, name + ending)])
    return to


def chain(recipe, clips, ending, pixels):
    """FFmpeg's arguments for what it makes of clips, but for the encoder."""
    # Where the corners of the color plate lie in the band plate, as the filter wants them, before the plate is mirrored.
    g = recipe["geometry"]
    h, (w, height) = g["homography"], g["color_size"]
    corners = []
    for x, y in ((0, 0), (w - 1, 0), (0, height - 1), (w - 1, height - 1)):
        d = h[6] * x + h[7] * y + h[8]
        corners += [(h[0] * x + h[1] * y + h[2]) / d, (h[3] * x + h[4] * y + h[5]) / d]
    place = "perspective=" + ":".join(f"{v:.3f}" for v in corners) + ":interpolation=cubic:sense=source"
    mirror = "hflip," if g["mirror"] else ""
    gray, lines = ("gray10le", "ih") if "422" in pixels else ("gray", "ih/2")
    graph = (f"[1:v]extractplanes=y,format=gray,{mirror}{place},format={gray},split[y][c];[c]scale=iw/2:{lines},split[u][v];"
             f"[y][u][v]mergeplanes=0x001020:{pixels}[mask];[0:v][2:v][mask]maskedmerge,format=yuv420p")
    source = [v for name in ("color", "band", "background") for v in ("-i", os.path.join(clips, name + ending))]
    return ["ffmpeg", "-nostdin", "-y", "-v", "error", *source, "-filter_complex", graph]


def ours_encodes():
    """The encoder's settings that ours has for H.264."""
    with open(os.path.join(ROOT, "plate", "clip", "writer.go")) as f:
        line = next(line for line in f if '"libx264"' in line)
    return re.findall(r'"([^"]+)"', line)


# A program that keeps what goes into FFmpeg by a pipe.
KEEP = """#!/bin/sh
case " $* " in *" pipe:0 "*) tee "$PICTURE" | "$FFMPEG" "$@" ;; *) exec "$FFMPEG" "$@" ;; esac
"""


def left_of(picture, file):
    """How much of the frames that went into the encoder a file has: the SSIM of its luma."""
    out = subprocess.run(["ffmpeg", "-nostdin", "-i", file, "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", "1920x1080", "-r", "24", "-i", picture,
                          "-lavfi", "ssim", "-f", "null", "-"], text=True, capture_output=True).stderr
    os.remove(picture)
    return float(re.search(r"SSIM Y:([\d.]+)", out).group(1))


def moving(work, program, take, recipe, count, rounds):
    """By (clips, who), seconds, processor time and memory for the whole job from clips to a clip; and size and SSIM of the file."""
    least, files = {}, {}
    keeper = os.path.join(work, "keep")
    os.makedirs(keeper)
    with open(os.path.join(keeper, "ffmpeg"), "w") as f:
        f.write(KEEP)
    os.chmod(f.name, 0o755)
    settings = {CHAIN: ours_encodes(), DEFAULTS: ["-c:v", "libx264"]}
    out, picture = os.path.join(work, "clip.mp4"), os.path.join(work, "picture.yuv")
    for kind, (ending, pixels, codec) in CLIPS.items():
        clips = encoded(work, take, count, ending, pixels, codec)
        mine = dict(recipe, gain=gains(recipe, count, len(recipe["gain"])), frames=f"1-{count}")
        mine.update({name: os.path.join(clips, name + ending) for name in ("color", "band", "background")})
        mine.update({name: os.path.join(take, name + ".png") for name in ("clean_color", "clean_band", "dark_color", "dark_band")})
        mine.pop("band_weights", None)
        given = os.path.join(clips, "given.json")
        with open(given, "w") as f:
            json.dump(mine, f)
        comp = [program, "comp", "--recipe", given, "--clip", out, "--replace", "--json"]
        filters = chain(recipe, clips, ending, pixels)
        for i in range(rounds):
            for who, args in (("ours", comp), *((who, [*filters, *codec, out]) for who, codec in settings.items())):
                _, seconds, processor, memory = measured(args)
                for what, v in (("seconds", seconds), ("processor", processor), ("memory", memory)):
                    keep(least, (kind, who, what), v)
                if i == 0:
                    size = os.path.getsize(out) / 1e6
                    if who == "ours":
                        run(comp, {"PATH": keeper + os.pathsep + os.environ["PATH"], "FFMPEG": shutil.which("ffmpeg"), "PICTURE": picture})
                    else:
                        run([*filters, "-f", "rawvideo", picture])
                    files[kind, who] = size, left_of(picture, out)
    return least, files


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=48)
    parser.add_argument("--clip-frames", type=int, default=96, help="of the clips: of more frames, what is done once for a take counts less")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--take", help=f"a take of {DRAWN} HD frames that twinplate demo has drawn; without it one is drawn")
    parser.add_argument("--files", action="store_true", help="the jobs from files to files alone")
    parser.add_argument("--kernels", action="store_true", help="the frames in memory alone")
    parser.add_argument("--clips", action="store_true", help="the jobs from clips to clips alone")
    parser.add_argument("--before", help="another checkout, whose plain build is timed beside this one's")
    args = parser.parse_args()
    ms, builds, seconds, clips = {}, [], {}, None
    with tempfile.TemporaryDirectory() as work:
        if not args.files and not args.clips:
            ms, builds = frames(work, args.rounds, args.before)
        if not args.kernels:
            made = drawn(work, args.take)
            if ffmpeg():
                clips = moving(work, *made, args.clip_frames, args.rounds)
            if not args.clips:
                seconds, differ = takes(work, *made, args.frames, args.rounds)
    print(f"{datetime.date.today()}, {cpu()}, {os.cpu_count()} cores, the least of {args.rounds} rounds; ours is a plain go build, the ratio is its to OpenCV")
    if ms:
        print_frames(ms, builds)
    if clips:
        print_clips(*clips, args.clip_frames)
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


def print_clips(least, files, n):
    print(f"\nFrom clips to an H.264 clip, {n} HD frames; FFmpeg's chain with the encoder's settings that ours has ({' '.join(ours_encodes()[2:-2])}), and with libx264's own.")
    print("\n| clips | who | frames/s | times ours | processor time a frame | times ours | memory of the largest program | file | SSIM |\n|---|---|---|---|---|---|---|---|---|")
    for (kind, who), (size, ssim) in files.items():
        seconds, processor, memory = (least[kind, who, what] for what in ("seconds", "processor", "memory"))
        times = [f"{v / least[kind, 'ours', what]:.2f}" for what, v in (("seconds", seconds), ("processor", processor))]
        print(f"| {kind} | {who} | {n / seconds:.1f} | {times[0]} | {1e3 * processor / n:.0f} ms | {times[1]} | {memory:.0f} MB | {size:.1f} MB | {ssim:.4f} |")


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
