"""Start here: ``python3 run.py demo`` or ``python3 run.py test``.

Makes ``.venv`` beside this file, installs spilemark and what it needs into it
(versions from constraints.txt), and runs there.  Needs nothing but Python 3.11
or newer; the same on Linux, macOS and Windows.
"""

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent
HOME = ROOT / ".venv"
STAMP = HOME / "installed-from.txt"
OLDEST = (3, 11)
DEMO_OUTPUT = "demo_output"
HEIC = "pillow-heif"


class Failed(Exception):
    """Something that the person must see; its text says what to do."""


def main():
    """Parse the command and run it; hand back the exit code."""
    parser = argparse.ArgumentParser(prog="run.py", description="Set up spilemark and run it.")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("demo", help="run the main job on the sample photos")
    test = commands.add_parser("test", help="lint, types and tests: all that CI runs")
    test.add_argument("pytest", nargs=argparse.REMAINDER, help="passed on to pytest")
    given = parser.parse_args()
    try:
        check_python()
        return run_demo() if given.command == "demo" else run_tests(given.pytest)
    except Failed as error:
        say(str(error))
        return 1
    except KeyboardInterrupt:
        say("Stopped by you.")
        return 130


def check_python():
    """Refuse a Python that is too old, or one without what makes environments."""
    here = ".".join(str(part) for part in sys.version_info[:3])
    if sys.version_info[:2] < OLDEST:
        wanted = ".".join(str(part) for part in OLDEST)
        raise Failed(
            f"This is Python {here}; spilemark needs {wanted} or newer.\n"
            f"Install a newer Python and run it by its name, such as: python{wanted} run.py demo"
        )
    try:
        import ensurepip  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise Failed(
            f"This Python {here} cannot make environments: it lacks ensurepip.\n"
            "On Debian or Ubuntu: apt-get install python3-venv"
        ) from error


def run_demo():
    """Install, and run the main job on the samples; it says what it found and where the files are."""
    python = prepare("base")
    print(f"The main job on sample_images/quarter_knee, results in {DEMO_OUTPUT}:\n", flush=True)
    return call([python, "-m", "spilemark", "demo", "--out", DEMO_OUTPUT])


def run_tests(more):
    """Install, and run every check; all of them, even when one fails."""
    python = prepare("test")
    # One thread each: the tests run side by side already.
    calm = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    steps = {
        "lint": ["ruff", "check", "."],
        "format": ["ruff", "format", "--check", "."],
        "types": ["mypy"],
        "tests": ["pytest", "-n", "auto", *more],
    }
    if browser() is None:
        say(
            "No Chromium here: the tests of the bench page in a browser are skipped, all others run.\n"
            "On Debian: apt-get install chromium libatomic1"
        )
    failed = []
    for name, words in steps.items():
        print(f"== {name}: {' '.join(words)}", flush=True)
        if call([python, "-m", *words], calm) != 0:
            failed.append(name)
    print(f"FAILED: {', '.join(failed)}" if failed else "All checks passed.", flush=True)
    return 1 if failed else 0


def browser():
    """Where the system's Chromium is; None where it has none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


def prepare(extent):
    """Make or renew the environment; hand back its Python.

    ``extent`` is "base" or "test"; an environment made for tests serves both.
    """
    python = HOME / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    fresh = fingerprint()
    if python.exists() and STAMP.exists():
        stamp, _, has = STAMP.read_text(encoding="utf-8").partition(" ")
        if stamp == fresh and has in ("test", extent):
            return python
    say(f"Setting up {HOME.name} (once; takes a minute or two) ...")
    venv.create(HOME, with_pip=True, clear=True)
    packages = ".[test]" if extent == "test" else "."
    if pip(python, "--editable", packages) != 0:
        raise Failed("Installing failed; the lines above say why. Is there a network?")
    if pip(python, "--only-binary", ":all:", HEIC) != 0:
        say(
            "HEIC photos cannot be read here: no ready-made package for this system.\n"
            'Everything else works; set an iPhone to JPEG ("most compatible") for its photos.'
        )
    STAMP.write_text(f"{fresh} {extent}", encoding="utf-8")
    return python


def fingerprint():
    """Tell whether an environment still fits: what it was made from, by whom, where."""
    digest = hashlib.sha256(f"{sys.version}|{ROOT}".encode())
    for name in ("pyproject.toml", "constraints.txt"):
        digest.update((ROOT / name).read_bytes())
    return digest.hexdigest()


def pip(python, *words):
    """Install something, quietly, at the versions of constraints.txt."""
    quiet = ["--quiet", "--disable-pip-version-check", "--no-input"]
    return call([python, "-m", "pip", "install", *quiet, "-c", "constraints.txt", *words])


def call(words, environment=None):
    """Run a command in the project's folder; hand back its exit code."""
    settings = {**os.environ, **(environment or {})}
    return subprocess.run([str(w) for w in words], cwd=ROOT, env=settings, check=False).returncode


def say(words):
    """Tell the person something beside the results."""
    print(words, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
