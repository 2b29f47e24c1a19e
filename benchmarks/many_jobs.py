"""Fifty jobs in a folder: how busy the cores are, and how much memory one worker takes.

    python benchmarks/many_jobs.py [--count 50]

Every job is the sample's two 12-megapixel photos.  Printed are the processor
time by wall time and cores, and the largest resident memory of any worker.
Run it on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[1] / "sample_images" / "quarter_knee"


def main() -> None:
    """Write the jobs, run them, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--count", type=int, default=50)
    count = parser.parse_args().count
    with tempfile.TemporaryDirectory() as scratch:
        orders, out = Path(scratch, "orders"), Path(scratch, "out")
        orders.mkdir()
        text = (SAMPLE / "job.toml").read_text(encoding="utf-8")
        for name in ("port.jpg", "starboard.jpg"):
            text = text.replace(f'"{name}"', f'"{(SAMPLE / name).as_posix()}"')
        for k in range(count):
            (orders / f"job_{k:03}.toml").write_text(text, encoding="utf-8")
        begun = time.perf_counter()
        words = ["-m", "spilemark", "jobs", str(orders), "--out", str(out)]
        ended = subprocess.run(
            [sys.executable, *words], capture_output=True, text=True, check=False
        )
        seconds = time.perf_counter() - begun
        done = len([path for path in out.iterdir() if (path / "report.json").exists()])
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cores = os.cpu_count() or 1
    share = (used.ru_utime + used.ru_stime) / (seconds * cores)
    # Linux counts in kilobytes, macOS in bytes.
    peak_mb = used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1024)
    print(ended.stdout.splitlines()[-1] if ended.stdout else ended.stderr)
    print(f"{done} of {count} folders stand, {seconds:.1f} s, {seconds / count:.2f} s a job.")
    print(f"{100 * share:.0f} % of {cores} cores, largest process {peak_mb:.0f} MB.")


if __name__ == "__main__":
    main()
