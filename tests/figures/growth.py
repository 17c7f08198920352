"""How cost grows with signals, controllers, alarms, days of history and open pages; and what many lines would need.

All points of signals, controllers and alarms are measured at the same time, each a simulator and a daemon of its own; pages one
after the other.
"""

import math
import shutil
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import plant
from parts import NUMBER, UNWATCHED_AFTER_S, history_text, matches
from programs import ROOT, Page, daemon, output_of, shares, simulator

SIGNALS = (64, 256, 1024, 4096)
CONTROLLERS = (1, 4, 16, 64)
ALARMS = (64, 256, 1024, 4096)
DAYS = (1, 3, 9)
# One address may hold so many streams.
CLIENTS = (1, 4, 16, 32)
MEASURED_S = 15


def exponents(points):
    """From each point to the next: 1 is linear, 0 is none."""
    pairs = zip(points, points[1:])
    return [math.log(max(after, 1e-9) / max(before, 1e-9)) / math.log(many / few) for (few, before), (many, after) in pairs]


def row(name, unit, points):
    steps = ["", *(f" ({one:.2f})" for one in exponents(points))]
    cells = [f"{size}: {cost:.3g}{step}" for (size, cost), step in zip(points, steps)]
    return f"| {name} | {unit} | {' · '.join(cells)} |"


def lines_at_once(points):
    """(per cent of a core, MB) of each line that nobody looks at. A point is (signals, controllers, alarms)."""
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as running:
        scratch, programs = Path(scratch), []
        for index, (signals, controllers, alarms) in enumerate(points):
            line = plant.write(scratch / f"{index}", signals, plant.free_ports(controllers), alarms)
            running.enter_context(simulator(line, scratch, f"sim-{index}"))
            programs.append(running.enter_context(daemon(line, scratch, f"run-{index}")))
        time.sleep(UNWATCHED_AFTER_S)
        used = shares(programs, MEASURED_S)
        memory = [program.memory_mb() for program in programs]
        for point, share, megabytes in zip(points, used, memory):
            print(f"signals, controllers, alarms {point}: {share:.2f} % of a core, {megabytes:.0f} MB")
        return list(zip(used, memory))


def clients():
    """Per cent of a core with so many open pages, each with its stream of events."""
    points = []
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        line = plant.write(scratch / "line", 300, plant.free_ports(10), 300)
        with simulator(line, scratch), daemon(line, scratch) as program:
            opened = []
            for count in CLIENTS:
                while len(opened) < count:
                    opened.append(Stream(program.page))
                time.sleep(3)
                points.append((count, program.share(8)))
            for stream in opened:
                stream.connection.close()
    print("clients", points)
    return points


class Stream(threading.Thread):
    """Somebody who looks at the page of the line."""

    def __init__(self, address):
        super().__init__(daemon=True)
        self.connection = Page(address).connection
        self.connection.request("GET", "/events")
        self.answer = self.connection.getresponse()
        assert self.answer.status == 200, self.answer.status
        self.start()

    def run(self):
        try:
            while self.answer.read1(65536):
                pass
        except (OSError, ValueError, AttributeError):
            pass  # Closed from this end.


def days():
    """ms of a start, of a trend over all of it and of two minutes of it, and the file's MB."""
    found = {"start": [], "trend": [], "exact": [], "bytes": []}
    for count in DAYS:
        one = matches(history_text(count), {
            "start": r"start on this history, ms \(run \d+\)" + NUMBER, "trend": r"whole time, 1500 columns" + NUMBER,
            "exact": r"exact window of 120 s" + NUMBER, "bytes": r"the whole file" + NUMBER,
        })
        for name, value in one.items():
            found[name].append((count, value * count * 25.92 if name == "bytes" else value))
    return found


def server():
    """What a time-series server needs for a million readings, if one is here: {name: number}."""
    if not shutil.which("victoria-metrics"):
        return {}
    text = output_of([sys.executable, ROOT / "tests" / "figures" / "server_size.py", "0.5"])
    print(text, end="")
    return matches(text, {
        "way": r"packed ([0-9.]+)", "disk": r"disk, bytes a reading: ([0-9.]+)", "cpu": r"processor ([0-9.]+)",
    })


def arithmetic(share, megabytes, bytes_a_sample):
    """What many lines need, from what one needs."""
    needs = server()
    readings, year_s = 300, 365 * 86_400
    rows = ["", "| lines of 300 signals at 1 s | readings/s | daemons | their history a year | to a server | its processor | its disk a year |",
            "|---|---|---|---|---|---|---|"]
    for name, lines in (("one", 1), ("50: a plant", 50), ("50,000: 1,000 plants", 50_000)):
        rate = readings * lines
        history = f"{rate * year_s * bytes_a_sample / 1e12:.3g} TB" if bytes_a_sample else "not measured"
        cells = [f"{rate:,}", f"{share * lines / 100:.3g} cores, {megabytes * lines / 1000:.3g} GB", history]
        if needs:
            cells += [f"{rate * needs['way'] / 1e6:.3g} MB/s", f"{rate / 1e6 * needs['cpu']:.3g} cores", f"{rate * year_s * needs['disk'] / 1e12:.3g} TB"]
        else:
            cells += ["not measured"] * 3
        rows.append(f"| {name} | {' | '.join(cells)} |")
    return rows


def measure():
    """Lines for the section."""
    kinds = [[(count, 4, 256) for count in SIGNALS], [(1024, count, 256) for count in CONTROLLERS], [(1024, 4, count) for count in ALARMS]]
    found = lines_at_once([point for kind in kinds for point in kind] + [(300, 10, 300)])
    (share, megabytes), found = found[-1], found[:-1]
    signals, controllers, alarms = (found[4 * kind:4 * kind + 4] for kind in range(3))
    history = days()
    rows = [
        row("signals (4 controllers, 256 alarms, 1 Hz)", "% of a core", list(zip(SIGNALS, (cpu for cpu, _ in signals)))),
        row("signals", "MB", list(zip(SIGNALS, (memory for _, memory in signals)))),
        row("controllers (1,024 signals, 256 alarms)", "% of a core", list(zip(CONTROLLERS, (cpu for cpu, _ in controllers)))),
        row("alarms (1,024 signals, 4 controllers)", "% of a core", list(zip(ALARMS, (cpu for cpu, _ in alarms)))),
        row("alarms", "MB", list(zip(ALARMS, (memory for _, memory in alarms)))),
        row("open pages (300 signals, 300 alarms)", "% of a core", clients()),
        row("days of history (300 signals at 1 s)", "MB of file", history["bytes"]),
        row("days of history", "ms to open it", history["start"]),
        row("days of history", "ms, trend of all of it", history["trend"]),
        row("days of history", "ms, two minutes exact", history["exact"]),
    ]
    days_kept, file_mb = history["bytes"][-1]
    head = ["| what grows | cost | size: cost (exponent from the size before) |", "|---|---|---|"]
    return [*head, *rows, *arithmetic(share, megabytes, file_mb / days_kept / 25.92)]
