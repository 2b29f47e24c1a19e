"""How quick the bench page is, and whether it survives being killed.

    python benchmarks/bench_page.py times          # verdict, overlay, crowd
    python benchmarks/bench_page.py killed 100      # kill -9 at so many random moments

Photos are those of sample_images/quarter_knee.  Each server is a process of its own.
"""

from __future__ import annotations

import http.client
import json
import os
import random
import re
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images" / "quarter_knee"
HOME = "127.0.0.1"


class Server:
    """The command line's own server, in a process group that can be killed."""

    def __init__(self, root: Path) -> None:
        code = "from spilemark.cli import main; import sys; sys.exit(main())"
        words = ["serve", "--jobs", str(root), "--tcp-port", "0", "--no-browser"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *words, "--phone-address", HOME],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stderr is not None
        line = self.process.stderr.readline()
        self.port = int(re.search(r":(\d+)/", line)[1])
        until = time.monotonic() + 30
        while time.monotonic() < until:
            try:
                self.ask("/")
                return
            except OSError:
                time.sleep(0.02)

    def ask(self, path: str, body: bytes | None = None, port: int = 0, cookie: str = "") -> bytes:
        """Ask as our own page does; a status of 400 or more is an error."""
        port = port or self.port
        line = http.client.HTTPConnection(HOME, port, timeout=120)
        headers = {"Origin": f"http://{HOME}:{port}", "X-Spilemark": "bench"}
        if cookie:
            headers["Cookie"] = cookie
        try:
            line.request("GET" if body is None else "POST", path, body, headers)
            answer = line.getresponse()
            content = answer.read()
            self.cookie = answer.headers.get("Set-Cookie", "").split(";")[0]
            if answer.status >= 400:
                raise RuntimeError(f"{answer.status} {content[:300]!r}")
            return content
        finally:
            line.close()

    def post(self, path: str, table: object = None) -> dict:
        """Send a form, read a table."""
        return json.loads(self.ask(path, json.dumps(table or {}).encode()))

    def state(self, job: str) -> dict:
        """How a job is."""
        return json.loads(self.ask(f"/api/jobs/{job}"))

    def until(self, job: str, fits) -> dict:
        """Wait until a job is so."""
        while not fits(state := self.state(job)):
            time.sleep(0.05)
        return state

    def phone(self, job: str) -> tuple[int, str]:
        """Let a phone in: its port and cookie."""
        link = self.post(f"/api/jobs/{job}/door")["link"]
        port = int(re.search(r":(\d+)/", link)[1])
        self.ask("/in", json.dumps({"code": link.rsplit("/", 1)[1]}).encode(), port)
        return port, self.cookie

    def spent(self) -> float:
        """Seconds of one core that server and workers took so far; Linux only (proc(5), stat)."""
        tick = os.sysconf("SC_CLK_TCK")
        family, found = {self.process.pid}, 0.0
        rows = []
        for place in Path("/proc").glob("[0-9]*/stat"):
            try:
                # The name stands in brackets and may hold anything.
                rows.append((int(place.parent.name), place.read_text().rpartition(")")[2].split()))
            except OSError:
                continue
        for pid, fields in sorted(rows):
            if pid in family or int(fields[1]) in family:
                family.add(pid)
                found += sum(int(fields[k]) for k in (11, 12, 13, 14)) / tick
        return found

    def close(self) -> None:
        """Stop as with ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=60)


def middle(name: str, seconds: list[float], limit: float) -> None:
    """Print a row."""
    print(
        f"{name:58} median {statistics.median(seconds):6.2f} s, worst {max(seconds):6.2f} s"
        f"   (wanted: at most {limit:g} s)"
    )


def processor() -> None:
    """What one verdict and one job take of one core, whatever else the machine does."""
    from spilemark.serve import tasks

    tasks.warm()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "port.jpg").write_bytes((SAMPLES / "port.jpg").read_bytes())
        (place / "job.toml").write_text('[port]\nphotos = ["port.jpg"]\n')
        check = {"photo": str(place / "port.jpg"), "arm": "port", "table": {}}
        check["pictures"] = str(place / "p")
        job = {"file": str(place / "job.toml"), "part": "", "out": str(place / "results")}
        verdicts, jobs = [], []
        for _ in range(5):
            begun = time.process_time()
            said: list[float] = []
            tasks.check(check, lambda _, s=said, b=begun: s.append(time.process_time() - b))
            verdicts.append(said[0])
            begun = time.process_time()
            tasks.measure(job, lambda _: None)
            jobs.append(time.process_time() - begun)
    middle("processor: verdict on a 12 MP photo", verdicts, 2)
    middle("processor: one side measured, all files written", jobs, 3)


def times() -> None:
    """Verdicts, overlays, and a crowd."""
    processor()
    machine("before")
    with tempfile.TemporaryDirectory() as folder:
        server = Server(Path(folder))
        photo = (SAMPLES / "port.jpg").read_bytes()
        other = (SAMPLES / "starboard.jpg").read_bytes()
        warm = server.post("/api/jobs", {"boat": "warm"})["id"]
        server.ask(f"/api/jobs/{warm}/photos/port", photo)
        server.post(f"/api/jobs/{warm}/measure")
        server.until(warm, lambda s: s["status"] == "measured")

        overlays, idle, cores = [], [], dict[str, list[float]](overlay=[], verdict=[])
        for number in range(5):
            job = server.post("/api/jobs", {"boat": f"overlay {number}"})["id"]
            begun, before = time.perf_counter(), server.spent()
            server.ask(f"/api/jobs/{job}/photos/port", photo + bytes([number]))
            server.post(f"/api/jobs/{job}/measure")
            server.until(job, lambda s: s["status"] == "measured")
            server.ask(f"/api/jobs/{job}/drawing")
            overlays.append(time.perf_counter() - begun)
            cores["overlay"].append(server.spent() - before)
        middle("12 MP photo dropped to traced overlay", overlays, 3)
        middle("  of it processor, verdict and job on two cores", cores["overlay"], 6)
        job = server.post("/api/jobs", {"boat": "idle"})["id"]
        port, cookie = server.phone(job)
        for number in range(5):
            begun, before = time.perf_counter(), server.spent()
            server.ask("/photos/port", photo + bytes([7, number]), port, cookie)
            idle.append(time.perf_counter() - begun)
            cores["verdict"].append(server.spent() - before)
        middle("verdict to a phone, idle queue", idle, 2)
        middle("  of it processor", cores["verdict"], 2)

        crowd = [server.post("/api/jobs", {"boat": f"crowd {k}"})["id"] for k in range(5)]
        for number in range(50):
            server.ask(f"/api/jobs/{crowd[number // 10]}/photos/port", other + bytes([number]))
        for one in crowd:
            server.post(f"/api/jobs/{one}/measure")
        full: list[float] = []
        phones = []
        for k in range(2):
            side = server.post("/api/jobs", {"boat": f"phone {k}"})["id"]
            phones.append((side, *server.phone(side)))
        pages: list[float] = []
        running = threading.Event()
        running.set()

        def laptop() -> None:
            while running.is_set():
                for path in ("/", "/api/jobs", f"/jobs/{crowd[0]}", f"/api/jobs/{crowd[1]}"):
                    begun = time.perf_counter()
                    server.ask(path)
                    pages.append(time.perf_counter() - begun)
                    time.sleep(0.1)

        def take(side: str, port: int, cookie: str) -> None:
            for number in range(5):
                begun = time.perf_counter()
                server.ask("/photos/port", photo + side.encode() + bytes([number]), port, cookie)
                full.append(time.perf_counter() - begun)

        threads = [threading.Thread(target=take, args=phone) for phone in phones]
        watcher = threading.Thread(target=laptop)
        for thread in (watcher, *threads):
            thread.start()
        for thread in threads:
            thread.join()
        running.clear()
        watcher.join()
        middle("verdict to a phone, two phones, 50 photos queued", full, 4)
        pages.sort()
        print(
            f"{'page requests of the laptop meanwhile':58} p95 "
            f"{1000 * pages[int(0.95 * len(pages))]:.0f} ms of {len(pages)}   (wanted: under 200 ms)"
        )
        kept = sum(len(server.state(one)["photos"]) for one in (*crowd, *(p[0] for p in phones)))
        print(f"photos kept: {kept} of 60")
        begun = time.perf_counter()
        size = len(server.ask("/"))
        for name in ("bench.css", "common.js", "jobs.js", "mark.svg"):
            size += len(server.ask(f"/static/{name}"))
        print(
            f"first page: {size / 1000:.0f} kB, {time.perf_counter() - begun:.2f} s (wanted: 200 kB, 0.3 s)"
        )
        server.close()
    machine("after")


def machine(words: str) -> None:
    """Print what else this machine does, and what was asked of it here so far."""
    ours, theirs = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    spent = ours.ru_utime + ours.ru_stime + theirs.ru_utime + theirs.ru_stime
    print(
        f"{words}: load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores,"
        f" {spent:.0f} s of one core taken here so far"
    )


def killed(rounds: int) -> None:
    """Kill the server at random moments of a job, and look at what is left."""
    machine("before")
    rng = random.Random(20261128)
    photo = (SAMPLES / "port.jpg").read_bytes()
    damaged: list[str] = []
    promised = 0
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        server = Server(root)
        job = server.post("/api/jobs", {"boat": "Killed", "distances": "A-H = 767.5"})["id"]
        server.close()
        place = next(root.iterdir())
        photos, edits = 0, 0
        for number in range(rounds):
            server = Server(root)
            threading.Timer(rng.uniform(0.0, 4.0), server.process.kill).start()
            try:
                # What was answered must be there ever after.
                if photos < 3:
                    server.ask(f"/api/jobs/{job}/photos/port", photo + bytes([number % 250, 1]))
                    photos += 1
                state = server.state(job)
                server.post(f"/api/jobs/{job}/measure")
                for k in range(3):
                    edit = {"arm": "port", "do": "move", "photo": state["photos"][0]["id"],
                            "points": [[1500, 1000], [1501, 1000 + k]]}  # fmt: skip
                    server.post(f"/api/jobs/{job}/edits/add", edit)
                    edits += 1
                    time.sleep(rng.uniform(0.0, 0.5))
                server.process.wait(60)
            except (
                OSError,
                http.client.HTTPException,
                KeyError,
                IndexError,
                RuntimeError,
            ) as error:
                if isinstance(error, RuntimeError):
                    damaged.append(f"round {number}: {error}")
            server.process.communicate(timeout=60)
            table = tomllib.loads((place / "job.toml").read_text(encoding="utf-8"))
            listed = table["port"]["photos"]
            files = sorted(p.name for p in place.glob("port_*.jpg"))
            found = len(table["port"].get("corrections", []))
            if len(files) < photos or not set(listed) <= set(files):
                damaged.append(
                    f"round {number}: photos {files}, listed {listed}, {photos} promised"
                )
            if found < edits:
                damaged.append(f"round {number}: {found} edits, {edits} promised")
            damaged += [
                f"round {number}: {name} is not whole"
                for name in files
                if not (place / name).read_bytes().startswith(photo)
            ]
            report = place / "results" / "report.json"
            if report.exists():
                json.loads(report.read_text(encoding="utf-8"))
            promised, photos, edits = promised + 1, len(files), found
        server = Server(root)
        state = server.until(job, lambda s: s["work"] is None)
        print(
            f"killed {promised} times; photos {photos}, edits {edits}; at the end: {state['status']}"
        )
        print("damaged or lost: " + ("; ".join(damaged) or "nothing"))
        server.close()
    machine("after")


if __name__ == "__main__":
    if sys.argv[1:2] == ["killed"]:
        killed(int(sys.argv[2]) if len(sys.argv) > 2 else 100)
    else:
        times()
