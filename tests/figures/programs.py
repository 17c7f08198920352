"""Programs that the figures start: what they use of the machine, seen from outside. Each is ended by its own number."""

import http.client
import json
import os
import re
import subprocess
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TICKS = os.sysconf("SC_CLK_TCK")


# The tests' own, or "dist": as packaged, without our assertions.
PROFILE = ["release"]


def target():
    return Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / PROFILE[0]


class Program:
    """A program under way. Its words go to a file."""

    def __init__(self, arguments, folder, name):
        self.words = Path(folder) / f"{name}.txt"
        with self.words.open("w") as words:
            self.begun = time.monotonic()
            self.process = subprocess.Popen(arguments, stdout=words, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def wait_for(self, pattern, within_s):
        """The first match in what it has said."""
        latest = time.monotonic() + within_s
        while time.monotonic() < latest:
            found = re.search(pattern, self.words.read_text())
            if found:
                return found.group()
            if self.process.poll() is not None:
                break
            time.sleep(0.002)
        raise RuntimeError(f"nothing like {pattern!r} within {within_s} s: {self.words.read_text()[-2000:]}")

    def cpu_s(self):
        """Of all its threads, by the scheduler's count."""
        tasks = Path(f"/proc/{self.process.pid}/task")
        return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks.iterdir()) / 1e9

    def memory_mb(self, key="VmRSS"):
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(rf"{key}:\s+(\d+)", status).group(1)) / 1024

    def share(self, seconds):
        """Per cent of a core over so long."""
        return shares([self], seconds)[0]


def shares(programs, seconds):
    """Per cent of a core that each uses over the same so long."""
    before = [(program.cpu_s(), time.monotonic()) for program in programs]
    time.sleep(seconds)
    used = [(program.cpu_s(), time.monotonic()) for program in programs]
    return [100 * (after - cpu) / (end - begin) for (cpu, begin), (after, end) in zip(before, used)]


def simulator(line, scratch, name="sim"):
    program = Program([target() / "sim-plc", "serve", line, "--for", "20 min"], scratch, name)
    program.wait_for(r"plc-0: ", 30)
    return program


def daemon(line, scratch, name="run"):
    """`setward run`, as soon as its page is there; `page` is where."""
    program = Program([target() / "setward", "run", line, "--page", "127.0.0.1:0", "--for", "20 min"], scratch, name)
    program.page = program.wait_for(r"http://[0-9.:]+", 60).removeprefix("http://")
    return program


class Page:
    """A connection to a daemon's page that stays open."""

    def __init__(self, address):
        self.connection = http.client.HTTPConnection(address, timeout=30)

    def get(self, path):
        self.connection.request("GET", path)
        answer = self.connection.getresponse()
        body = answer.read()
        assert answer.status == 200, (path, answer.status, body[:300])
        return body

    def json(self, path):
        return json.loads(self.get(path))

    def ms(self, path, looks=5):
        """Median time of an answer, ms, and its kilobytes."""
        times = []
        for _ in range(looks):
            before = time.perf_counter()
            body = self.get(path)
            times.append((time.perf_counter() - before) * 1e3)
        return median(times), len(body) / 1e3


def median(values):
    return sorted(values)[len(values) // 2]


def bench_program():
    """The bench's own program, built as it is."""
    profile = [] if PROFILE == ["release"] else ["--profile", *PROFILE]
    text = output_of(["cargo", "bench", "--quiet", *profile, "--bench", "figures", "--no-run", "--message-format=json"])
    found = [json.loads(line) for line in text.splitlines()]
    return next(one["executable"] for one in found if one.get("executable") and one["target"]["name"] == "figures")


def output_of(arguments, **more):
    """What a program says; it must end well."""
    done = subprocess.run([str(one) for one in arguments], capture_output=True, text=True, cwd=ROOT, **more)
    assert done.returncode == 0, (arguments, done.stdout[-2000:], done.stderr[-2000:])
    return done.stdout
