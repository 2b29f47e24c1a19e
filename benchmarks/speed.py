"""How fast?  Warm against the JPEG decode of the same run, and cold from the shell.

    python benchmarks/speed.py [JOB.toml] [--rounds 5]

Warm: one 12 MP photo to its outline in this process, as a multiple of decoding
the same JPEG to grey with Pillow; the fastest of the rounds for both, since a
busy machine only ever adds.  Cold: a fresh ``spilemark make`` for both photos
to all files, and ``spilemark --help`` with what it imports.
"""

from __future__ import annotations

import argparse
import io
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import tables
from PIL import Image

from spilemark.cards import shop_cards
from spilemark.conductor import run_job
from spilemark.jobfile import read_order
from spilemark.recipe import prepare, standard_recipe
from spilemark.results import JobRequest

SAMPLE = Path(__file__).resolve().parents[1] / "sample_images" / "quarter_knee" / "job.toml"
TO_OUTLINE = ("read_source", "undistort", "rectify", "trace")
WARM_LIMIT, COLD_LIMIT_S, HELP_LIMIT_S = 20.0, 4.0, 0.2
COMMAND = (sys.executable, "-m", "spilemark")


def main() -> None:
    """Measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("job", nargs="?", type=Path, default=SAMPLE)
    parser.add_argument("--rounds", type=int, default=5)
    told = parser.parse_args()
    _warm(told.job, told.rounds)
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

    def decode() -> None:
        image = Image.open(io.BytesIO(data))
        image.draft("L", image.size)
        image.load()

    kitchen = prepare(standard_recipe())
    request = JobRequest(facts=order.facts, photos={arm: photos[:1]}, card_set=shop_cards())
    decode()
    run_job(request, kitchen)
    grey, by_stage = [], []
    for _ in range(rounds):
        grey.append(_best(1, decode))
        by_stage.append(run_job(request, kitchen).timings_s)
    decoding = min(grey)
    best = {stage: min(t[stage] for t in by_stage) for stage in TO_OUTLINE}
    total = min(sum(t[stage] for stage in TO_OUTLINE) for t in by_stage)
    print(f"One photo, warm, best of {rounds} (limit {WARM_LIMIT:g} decodes to the outline)")
    rows = [["grey JPEG decode", 1e3 * decoding, 1.0]]
    rows += [[stage, 1e3 * s, s / decoding] for stage, s in best.items()]
    rows += [["photo to outline", 1e3 * total, total / decoding]]
    tables.show(["step", "ms", "decodes"], rows, digits=1)


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
