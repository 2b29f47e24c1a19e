"""How fast?  Warm against the JPEG decode of the same run, and cold from the shell.

    python benchmarks/speed.py [JOB.toml] [--rounds 5] [--warm]

Warm: one 12 MP photo to its outline in this process, as a multiple of decoding
the same JPEG to grey with Pillow; the fastest of the rounds for both, since a
busy machine only ever adds.  It adds less to the processor's time, by which the
whole job is told too, and the joint solve with its covariance, a part of
``rectify``.  Memory is what the process holds at its largest (sampled every
2 ms) above what it held before, and above the decoded photo of three bytes a
pixel.  Cold: a fresh ``spilemark make`` for both photos to all files, and
``spilemark --help`` with what it imports.
"""

from __future__ import annotations

import argparse
import io
import re
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import tables
from PIL import Image

from spilemark.cards import shop_cards
from spilemark.conductor import run_job
from spilemark.jobfile import read_order
from spilemark.recipe import prepare, standard_recipe
from spilemark.records import JobFacts
from spilemark.results import JobRequest
from spilemark_stages.read import file
from spilemark_stages.rectify.measure import measure_photo
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import solve
from spilemark_stages.undistort import exif_prior

SAMPLE = Path(__file__).resolve().parents[1] / "sample_images" / "quarter_knee" / "job.toml"
TO_OUTLINE = ("read_source", "undistort", "rectify", "trace")
WARM_GOAL, SOLVE_GOAL, MEMORY_GOAL = 4.0, 0.5, 6.0
"""Decodes to the outline, decodes of the solve, bytes a pixel above the decoded photo."""
COLD_LIMIT_S, HELP_LIMIT_S = 4.0, 0.2
_TURNS = 40
STATM = Path("/proc/self/statm")
COMMAND = (sys.executable, "-m", "spilemark")


def main() -> None:
    """Measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("job", nargs="?", type=Path, default=SAMPLE)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--warm", action="store_true", help="leave the shell out")
    told = parser.parse_args()
    _warm(told.job, told.rounds)
    if not told.warm:
        _cold(told.job, told.rounds)


def _best(rounds: int, run: Callable[[], object]) -> float:
    seconds = []
    for _ in range(rounds):
        begun = time.perf_counter()
        run()
        seconds.append(time.perf_counter() - begun)
    return min(seconds)


def _warm(job: Path, rounds: int) -> None:
    order = read_order(job, {})
    arm, photos = next(iter(order.photos.items()))
    data = photos[0].read_bytes()

    def decode(mode: str = "L") -> None:
        image = Image.open(io.BytesIO(data))
        image.draft(mode, image.size)
        image.load()

    kitchen = prepare(standard_recipe())
    request = JobRequest(facts=order.facts, photos={arm: photos[:1]}, card_set=shop_cards())
    decode()
    run_job(request, kitchen)
    grey, colour, by_stage, spent = [], [], [], []
    for _ in range(rounds):
        grey.append(_best(1, decode))
        begun = time.process_time()
        decode("RGB")
        colour.append(time.process_time() - begun)
        begun = time.process_time()
        by_stage.append(run_job(request, kitchen).timings_s)
        spent.append(time.process_time() - begun)
    decoding = min(grey)
    best = {stage: min(t[stage] for t in by_stage) for stage in TO_OUTLINE}
    total = min(sum(t[stage] for stage in TO_OUTLINE) for t in by_stage)
    print(f"One photo, warm, best of {rounds}")
    rows: list[list[object]] = [["grey JPEG decode", 1e3 * decoding, 1.0, ""]]
    rows += [[stage, 1e3 * s, s / decoding, ""] for stage, s in best.items()]
    rows += [["photo to outline", 1e3 * total, total / decoding, WARM_GOAL]]
    solving, alone, unknowns = _solving(order.facts, arm, photos[0], decode)
    by_processor: list[tuple[str, float, object]] = [
        ("colour JPEG decode", min(colour), ""),
        ("the whole job", min(spent), ""),
        (f"of it solve and covariance, {unknowns} unknowns", solving, SOLVE_GOAL),
    ]
    rows += [[f"{what} *", 1e3 * s, s / alone, goal] for what, s, goal in by_processor]
    tables.show(["step", "ms", "decodes", "goal"], rows, digits=1)
    print("* by the processor's time, against a decode by the same")
    with Image.open(photos[0]) as image:
        pixels = image.width * image.height
    _memory(lambda: run_job(request, kitchen), pixels)


def _solving(
    facts: JobFacts, arm: str, path: Path, decode: Callable[[], object]
) -> tuple[float, float, int]:
    """Processor seconds of the joint solve with its covariance and of a decode, and its unknowns.

    Turn by turn, the least of many: what else the machine does slows both.
    """
    photo = file.read_source(path, is_scan=False, options=file.Options())
    straight = exif_prior.undistort(photo, arm, facts, exif_prior.Options())
    seen = (measure_photo(straight, shop_cards(), f"{arm}:{path.name}"),)
    beliefs = gather_beliefs(facts, shop_cards(), seen, nominal_sigma=0.005, bar_sigma_mm=0.08)
    solution = solve(seen, beliefs)
    solving, decoding = [], []
    for _ in range(_TURNS):
        for run, spent in ((lambda: solve(seen, beliefs), solving), (decode, decoding)):
            begun = time.process_time()
            run()
            spent.append(time.process_time() - begun)
    return min(solving), min(decoding), len(solution.layout.free)


def _memory(run: Callable[[], object], pixels: int) -> None:
    """Print the most that a warm run holds, in bytes a pixel."""
    if not STATM.exists():
        print("\nMemory is measured where /proc/self/statm tells it.")
        return
    held, done = [_resident()], threading.Event()

    def watch() -> None:
        while not done.wait(0.002):
            held.append(_resident())

    watcher = threading.Thread(target=watch)
    watcher.start()
    run()
    done.set()
    watcher.join()
    most = (max(held) - held[0]) / pixels
    print(
        f"\nMemory, warm, one photo of {pixels / 1e6:.1f} MP: at most {most:.1f} bytes a pixel above"
        f" before, {most - 3:.1f} above the decoded photo (goal {MEMORY_GOAL:g})"
    )


def _resident() -> int:
    """Bytes that this process holds."""
    return int(STATM.read_text().split()[1]) * resource.getpagesize()


def _cold(job: Path, rounds: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        make = [*COMMAND, "make", str(job), "--out", f"{folder}/out", "--force"]
        first = _shell(make)
        cold = min(first, *(_shell(make) for _ in range(rounds - 1))) if rounds > 1 else first
    helped = _best(rounds, lambda: _shell([*COMMAND, "--help"]))
    print(f"\nFrom the shell, best of {rounds}")
    tables.show(
        ["command", "s", "limit"],
        [["make, two photos to all files", cold, COLD_LIMIT_S], ["--help", helped, HELP_LIMIT_S]],
        digits=2,
    )
    print(f"heavy modules that --help imports: {', '.join(_heavy()) or 'none'}")


def _shell(command: list[str]) -> float:
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - begun
    if done.returncode not in (0, 5):
        sys.exit(f"{' '.join(command)} ended with {done.returncode}:\n{done.stderr}")
    return seconds


def _heavy() -> list[str]:
    command = [sys.executable, "-X", "importtime", "-m", "spilemark", "--help"]
    seen = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    names = set(re.findall(r"\|\s+(numpy|cv2|scipy|skimage|shapely|PIL)$", seen, re.MULTILINE))
    return sorted(names)


if __name__ == "__main__":
    main()
