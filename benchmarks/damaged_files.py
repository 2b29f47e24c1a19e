"""Two thousand damaged photos: no crash, no hang, nothing half-written.

    python benchmarks/damaged_files.py [--count 2000] [--seed 5] [--keep FOLDER]

Good photos of every kind that the program reads are damaged by flipped bits,
by cutting them off, and by splicing two of them; each goes through the whole
``make`` command in a process of its own pool.  Printed is how each kind ended:
"made" (the damage did no harm or only to pixels), an error of the program's
own with its exit code, or what must not be: a crash (exit 70 or an uncaught
exception), more than ten seconds of processor time (or two minutes on the clock,
whatever else the machine does), or files left behind by a failed run.
PDF files go through as flatbed scans.
Ends with exit code 1 when any of those happened.
"""

from __future__ import annotations

import argparse
import collections
import concurrent.futures
import contextlib
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from functools import partial
from pathlib import Path
from typing import Any

import tables
from PIL import Image

SAMPLE = Path(__file__).resolve().parents[1] / "sample_images" / "quarter_knee" / "port.jpg"
WIDTH_PX = 1400
LONGEST_S = 10.0
HANG_S = 120
WAYS = ("bits flipped", "cut off", "spliced")
BAD = ("crash", "hang", "left files")


def main() -> None:
    """Damage, run, tally."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--keep", type=Path, help="Folder for files that ended badly.")
    told = parser.parse_args()
    good = good_files()
    tally: dict[tuple[str, str], collections.Counter[str]] = collections.defaultdict(
        collections.Counter
    )
    slowest, worst = 0.0, 0
    workers = max(1, os.cpu_count() or 1)
    with concurrent.futures.ProcessPoolExecutor(workers) as pool:
        ends = pool.map(partial(run_one, good, told.seed), range(told.count), chunksize=4)
        done = 0
        for k, (end, seconds, words) in enumerate(ends):
            done = k + 1
            if done % 100 == 0:
                print(f"{done} files, {worst} ended badly so far", file=sys.stderr)
            suffix, way, data = damaged(good, told.seed, k)
            tally[suffix, way][end] += 1
            slowest = max(slowest, seconds)
            if end in BAD:
                worst += 1
                print(f"\n{k}{suffix} {way}: {end}\n{words}", file=sys.stderr)
                if told.keep:
                    told.keep.mkdir(parents=True, exist_ok=True)
                    (told.keep / f"{k}{suffix}").write_bytes(data)
    heads = sorted({end for counter in tally.values() for end in counter})
    rows = [
        [suffix, way, sum(counter.values()), *(counter[end] for end in heads)]
        for (suffix, way), counter in sorted(tally.items())
    ]
    tables.show(["kind", "damage", "files", *heads], rows, digits=0)
    print(f"\n{told.count} files, {worst} ended badly, slowest {slowest:.1f} s.")
    sys.exit(1 if worst else 0)


def good_files() -> list[tuple[str, bytes]]:
    """The sample, small, as (suffix, bytes) of every kind that can be read here."""
    whole = Image.open(SAMPLE)
    exif = whole.getexif()
    size = (WIDTH_PX, round(WIDTH_PX * whole.height / whole.width))
    small = whole.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    kinds: list[tuple[str, str, dict[str, Any]]] = [
        (".jpg", "JPEG", {"quality": 88, "exif": exif}),
        (".jpg", "JPEG", {"quality": 80, "progressive": True}),
        (".png", "PNG", {"compress_level": 1}),
        (".tif", "TIFF", {}),
        (".tif", "TIFF", {"compression": "tiff_lzw"}),
        (".tif", "TIFF", {"compression": "jpeg"}),
        (".webp", "WEBP", {"quality": 85, "method": 0}),
    ]
    with contextlib.suppress(ImportError):
        import pillow_heif

        pillow_heif.register_heif_opener()
        kinds.append((".heic", "HEIF", {"quality": 80}))
    files = []
    for suffix, kind, how in kinds:
        out = io.BytesIO()
        small.save(out, kind, **how)
        files.append((suffix, out.getvalue()))
    scan = io.BytesIO()
    small.save(scan, "PDF", resolution=200.0, quality=88)
    files.append((".pdf", scan.getvalue()))
    return files


def damaged(good: list[tuple[str, bytes]], seed: int, k: int) -> tuple[str, str, bytes]:
    """(suffix, way, bytes) of the ``k``-th damaged file; the same for the same seed."""
    chance = random.Random(f"{seed}-{k}")
    suffix, whole = good[k % len(good)]
    way = WAYS[k // len(good) % len(WAYS)]
    if way == "bits flipped":
        data = bytearray(whole)
        # Half of the time near the start, where the file says what it is.
        reach = len(data) if chance.random() < 0.5 else min(len(data), 1000)
        for _ in range(chance.choice((1, 2, 5, 20, 100))):
            data[chance.randrange(reach)] ^= 1 << chance.randrange(8)
        return suffix, way, bytes(data)
    if way == "cut off":
        return suffix, way, whole[: chance.randrange(len(whole))]
    _, other = chance.choice(good)
    return (
        suffix,
        way,
        whole[: chance.randrange(len(whole))] + other[chance.randrange(len(other)) :],
    )


class _Hang(BaseException):
    """Too long; not an Exception, so that nothing takes it for an error of its own."""


def run_one(good: list[tuple[str, bytes]], seed: int, k: int) -> tuple[str, float, str]:
    """How the ``k``-th file ended, the seconds it took, and what was printed."""
    from spilemark.cli import main as spilemark

    suffix, _, data = damaged(good, seed, k)
    folder = Path(tempfile.mkdtemp())
    said = io.StringIO()

    def too_long(*_: object) -> None:
        raise _Hang

    # Windows has no alarm clock; there a hang is only seen by who waits.
    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, too_long)
        signal.alarm(HANG_S)
    begun, spent = time.perf_counter(), time.process_time()
    words = ["--scan"] if suffix == ".pdf" else []
    try:
        photo = folder / f"photo{suffix}"
        photo.write_bytes(data)
        with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
            code = spilemark(["make", "--single", str(photo), *words, "--out", str(folder / "out")])
        seconds = time.process_time() - spent
        left = [p.name for p in folder.iterdir() if p != photo]
        # 8: a stage of ours raised what it should have told.
        if code in (8, 70):
            end = "crash"
        elif code not in (0, 5) and left:
            end = "left files"
            said.write(f"left: {left}")
        elif seconds > LONGEST_S:
            end = "hang"
        elif photo.read_bytes() != data:
            end = "crash"
            said.write("the photo was changed")
        else:
            end = "made" if code in (0, 5) else f"error {code}"
    except _Hang:
        end, seconds = "hang", time.perf_counter() - begun
    except BaseException:
        end, seconds = "crash", time.perf_counter() - begun
        said.write(traceback.format_exc())
    finally:
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)
        shutil.rmtree(folder, ignore_errors=True)
    return end, seconds, said.getvalue()[-2000:]


if __name__ == "__main__":
    main()
