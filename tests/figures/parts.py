"""The parts of the figures. Each gives {name: number}; what can't be measured here is left out and told."""

import datetime
import functools
import random
import re
import shutil
import tempfile
import time
from pathlib import Path

import plant
from programs import Page, daemon, median, output_of, simulator, target

# A minute after its start a daemon that nobody looks at publishes once a second.
UNWATCHED_AFTER_S = 63
SEED = 7


BENCH = []


def bench(part):
    """The Rust side: lines `figure NAME VALUE UNIT`."""
    text = output_of([*BENCH, *part])
    print(text, end="")
    found = re.findall(r"^figure (\S+) (\S+)", text, re.M)
    return {name: float(value) for name, value in found}


def core():
    return bench(["core", "allocations"])


def poller():
    return bench(["scattered", "poller"])


def matches(text, wanted):
    """{name: first number after the words} of those that are there."""
    found = {}
    for name, pattern in wanted.items():
        match = re.search(pattern, text)
        if match:
            found[name] = float(match.group(1))
    return found


NUMBER = r"\s+([0-9.]+)"


@functools.cache
def history_text(days):
    text = output_of([target() / "examples" / "history-figures", days])
    print(text, end="")
    return text


def history(days):
    text = history_text(days)
    of_rows = text[text.index("plain SQLite"):text.index("bare pco")]
    of_pco = text[text.index("bare pco"):]
    bytes_a_sample = {"bytes": r"bytes a sample" + NUMBER, "speed": r"samples a second" + NUMBER}
    found = matches(text, {
        "history.bytes": r"the whole file" + NUMBER, "history.speed": r"bulk, samples a second" + NUMBER,
        "history.whole_ms": r"whole time, 1500 columns" + NUMBER, "history.exact_ms": r"exact window of 120 s" + NUMBER,
        "history.rss_mb": r"memory after it, MB \(peak\)" + NUMBER, "history.start_ms": r"start on this history, ms \(run \d+\)" + NUMBER,
    })
    found |= {f"history.rows.{name}": value for name, value in matches(of_rows, bytes_a_sample).items()}
    found |= {f"history.pco.{name}": value for name, value in matches(of_pco, bytes_a_sample).items()}
    return found | {"history.days": days}


def replay():
    text = output_of([target() / "examples" / "replay-figures", 24])
    print(text, end="")
    return matches(text, {
        "replay.one": r"1 sets of settings: .*?; ([0-9.]+) M", "replay.four": r"4 sets of settings: .*?; ([0-9.]+) M",
        "replay.reading": r"reading alone: .*?, ([0-9.]+) M",
    })


def virtual(days=2):
    text = output_of([target() / "examples" / "virtual-time", days])
    print(text, end="")
    return {"virtual.days": days} | matches(text, {
        "virtual.bare": r"behind them: (\d+)x", "virtual.speed": r"whole system: (\d+)x", "virtual.judged": r"every sample: (\d+)x", "virtual.wrong": r"wrong (\d+)", "virtual.missed": r"missed (\d+)",
        "virtual.false": r"false\s+(\d+)", "virtual.lost": r"lost (\d+)", "virtual.samples": r"samples (\d+)",
    })


def latency():
    """From a value that changes in a controller to its alarm in the API, without and with controllers that say nothing."""
    found = {}
    for name, silent in (("latency", 0), ("latency_silent", 8)):
        with tempfile.TemporaryDirectory() as scratch:
            times = latency_of(Path(scratch), silent)
        times.sort()
        found |= {f"{name}.p50": times[len(times) // 2], f"{name}.p99": times[int(len(times) * 0.99)],
                  f"{name}.max": times[-1], f"{name}.count": len(times)}
        print(f"{name}: {len(times)} changes, ms: p50 {found[name + '.p50']:.0f}, p99 {found[name + '.p99']:.0f}, max {times[-1]:.0f}")
    return found


def latency_of(scratch, silent, controllers=8, signals=32, seconds=30):
    """ms of each change. Values are turned at random moments, so that every place in a scan is met."""
    ports = plant.free_ports(controllers + silent)
    line = plant.write(scratch / "line", signals, ports, signals, kinds=("limit",))
    if silent:
        add_silent_signals(line, controllers, silent)
    turned = plant.Controllers(ports[:controllers], ports[controllers:])
    turned.start()
    rng, times, standing, pending = random.Random(SEED), [], {}, {}
    try:
        with daemon(line, scratch) as program:
            page = Page(program.page)
            time.sleep(4)
            due = {index: time.monotonic() + rng.uniform(0, 3) for index in range(signals)}
            end = time.monotonic() + seconds
            while time.monotonic() < end or pending:
                assert time.monotonic() < end + 10, f"never seen: {pending}"
                turn_what_is_due(turned, ports, due, standing, pending, end, controllers)
                for index in list(pending):
                    is_active = page.json(f"/api/v1/alarms/a-{index}")["item"]["active"]
                    if is_active == standing[index]:
                        times.append((time.monotonic() - pending.pop(index)) * 1e3)
                        due[index] = time.monotonic() + rng.uniform(1, 3)
                time.sleep(0.003)
    finally:
        turned.stop()
    return times


def lateness(controllers=8, silent=8, seconds=60, period_ms=100):
    """How late scans of good controllers are, by what history keeps of them, while as many others say nothing."""
    ports = plant.free_ports(controllers + silent)
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        line = plant.write(scratch / "line", controllers, ports, 0, f"{period_ms} ms")
        add_silent_signals(line, controllers, silent)
        answering = plant.Controllers(ports[:controllers], ports[controllers:])
        answering.start()
        try:
            with daemon(line, scratch):
                time.sleep(seconds + 5)
        finally:
            answering.stop()
        read = times_read(line, range(controllers), "10 min")
    # What a connection takes at the start is no lateness of a scan.
    late = [off for times in read.values() for off in lateness_of([at for at in sorted(times) if at > min(times) + 3000], period_ms)]
    late.sort()
    in_time = sum(off < period_ms / 2 for off in late) / len(late)
    found = {"lateness.p999": late[int(len(late) * 0.999)], "lateness.max": late[-1], "lateness.scans": len(late), "lateness.in_time": 100 * in_time}
    print(f"lateness: {len(late)} scans due, ms: p99.9 {found['lateness.p999']:.1f}, max {late[-1]:.1f}; {100 * in_time:.3f} % in time")
    return found


def times_read(line, signals, since):
    """{tag: when it was read, ms of Unix time}, by what history keeps."""
    tags = ",".join(plant.tag(index) for index in signals)
    rows = output_of([target() / "setward", "export", line, "--signals", tags, "--from", since]).splitlines()[1:]
    read = {}
    for row in rows:
        utc, _, tag, value, *_ = row.split(",")
        if value:
            read.setdefault(tag, []).append(datetime.datetime.fromisoformat(utc).timestamp() * 1e3)
    return {tag: sorted(times) for tag, times in read.items()}


def chaos(controllers=8, seconds=600, period_ms=100, each_s=10, lasts_s=5):
    """Scans of controllers that are sound, while each ten seconds another one has a fault; and how soon that one is read again."""
    ports = plant.free_ports(controllers)
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        line = plant.write(scratch / "line", controllers, ports, 0, f"{period_ms} ms")
        answering = plant.Controllers(ports)
        answering.start()
        try:
            with daemon(line, scratch):
                time.sleep(5)
                faults = have_faults(answering, ports, seconds, each_s, lasts_s)
                time.sleep(each_s)
        finally:
            answering.stop()
        read = times_read(line, range(controllers), f"{seconds + 60} s")
    # A controller's own scans count again once it has been read again.
    back = [next((at for at in read[plant.tag(index)] if at > end), float("inf")) for index, _, _, end in faults]
    late = []
    for index in range(controllers):
        times = read[plant.tag(index)]
        spoilt = [(begin, good) for (own, _, begin, _), good in zip(faults, back) if own == index]
        due = places(times, period_ms)
        begin = min(times) + 3000
        late += [off for at, off in due if at > begin and not any(low - period_ms <= at <= high + period_ms for low, high in spoilt)]
    in_time = sum(off < period_ms / 2 for off in late)
    again_s = sorted((good - end) / 1e3 for (_, _, _, end), good in zip(faults, back))
    found = {"chaos.scans": len(late), "chaos.in_time": 100 * in_time / len(late), "chaos.missed": len(late) - in_time,
             "chaos.faults": len(faults), "chaos.again_p50": median(again_s), "chaos.again_max": again_s[-1]}
    print(f"chaos: {len(faults)} faults, {len(late)} scans of sound controllers due, {len(late) - in_time} not in time "
          f"({found['chaos.in_time']:.4f} % in time); read again after the fault: p50 {median(again_s):.2f} s, at most {again_s[-1]:.2f} s")
    return found


def have_faults(answering, ports, seconds, each_s, lasts_s):
    """One fault after another, drawn; gives (index of the controller, what, begin, end), ms of Unix time."""
    drawn, faults, begun = random.Random(SEED), [], time.monotonic()
    for nth in range(seconds // each_s):
        index, what = drawn.randrange(len(ports)), plant.FAULTS[nth % len(plant.FAULTS)]
        # What stands still for ten minutes is taken for a stuck probe, and has no value any more.
        for port in ports:
            answering.words[port] = [1800 + nth % 5] * plant.REGISTERS_MOST
        time.sleep(max(0, begun + nth * each_s - time.monotonic()))
        begin = time.time() * 1e3
        answering.faults[ports[index]] = what
        time.sleep(lasts_s)
        del answering.faults[ports[index]]
        faults.append((index, what, begin, time.time() * 1e3))
    return faults


def lateness_of(times, period_ms):
    """For each scan that was due, by how much it came after its place in the steady beat; one that is missing is a period late."""
    return [off for _, off in places(times, period_ms)]


def places(times, period_ms):
    """(when it was due, by how much it came later) of each scan, by the steady beat of all."""
    phase = median([(at - times[0] + period_ms / 2) % period_ms for at in times]) - period_ms / 2
    found = {}
    for at in times:
        place = round((at - times[0] - phase) / period_ms)
        found[place] = max(0.0, at - times[0] - phase - place * period_ms)
    return [(times[0] + phase + place * period_ms, found.get(place, period_ms)) for place in range(min(found), max(found) + 1)]


def turn_what_is_due(turned, ports, due, standing, pending, end, controllers):
    now = time.monotonic()
    if now > end:
        return
    for index, at in due.items():
        if at <= now and index not in pending:
            standing[index] = not standing.get(index, False)
            turned.words[ports[index % controllers]][index // controllers] = 2300 if standing[index] else 1800
            pending[index] = time.monotonic()


def add_silent_signals(line, controllers, silent):
    """The line was written over all controllers; signals of the silent ones move behind the others'."""
    path = line / "line.toml"
    text = path.read_text()
    signals = re.findall(r"\[\[signal\]\].*?(?=\n\n|\Z)", text, re.S)
    head = text[:text.index("[[signal]]")]
    moved = []
    for index, one in enumerate(signals):
        one = re.sub(r'controller = "plc-\d+"', f'controller = "plc-{index % controllers}"', one)
        moved.append(re.sub(r"holding = \d+", f"holding = {index // controllers}", one))
    for index in range(silent):
        one = re.sub(r'controller = "plc-\d+"', f'controller = "plc-{controllers + index}"', signals[0])
        moved.append(one.replace(plant.tag(0), f"TT-9{index:03}"))
    path.write_text(head + "\n\n".join(moved) + "\n")


def measured(name, program, seconds):
    watched = program.share(seconds)
    return {f"{name}.cpu": watched, f"{name}.rss": program.memory_mb(), f"{name}.peak": program.memory_mb("VmHWM")}


def idle():
    """300 signals of 10 controllers at 1 Hz, and as many as there may be, at 10 Hz."""
    found = {}
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        for name, signals, controllers, period in (("idle", 300, 10, "1 s"), ("capacity", 4096, 64, "100 ms")):
            line = plant.write(scratch / name, signals, plant.free_ports(controllers), signals, period)
            with simulator(line, scratch, f"{name}-sim"), daemon(line, scratch, f"{name}-run") as program:
                time.sleep(8)
                found |= measured(f"{name}_watched", program, 12)
                time.sleep(UNWATCHED_AFTER_S - 20)
                before, begun = polls(program), time.monotonic()
                found |= measured(name, program, 20)
                found[f"{name}.scans"] = (polls(program) - before) / (time.monotonic() - begun)
            print(name, {key: round(value, 2) for key, value in found.items() if key.startswith(name)})
    return found


def polls(program):
    """Scans so far, as the daemon tells. By a connection of its own: one that says nothing is closed."""
    text = Page(program.page).get("/metrics").decode()
    found = re.findall(r"^setward_polls_total\S* (\S+)", text, re.M)
    assert found, "no setward_polls_total"
    return sum(float(value) for value in found)


def start(days=365):
    """From the start of the program to every signal's first value: on an empty history, and on that of a year."""
    found = {}
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        line = plant.write(scratch / "line", 300, plant.free_ports(10), 300)
        with simulator(line, scratch):
            found["start.empty_ms"] = median([first_scan_ms(line, scratch) for _ in range(3)])
            shutil.rmtree(line / ".setward")
            text = output_of([target() / "examples" / "history-figures", "old", days, line / ".setward"])
            print(text, end="")
            found |= matches(text, {"start.month_trend_ms": r"a trend of the last 30, ms" + NUMBER})
            found["start.file_gb"] = sum(one.stat().st_size for one in (line / ".setward").iterdir()) / 1e9
            found["start.year_first_ms"] = first_scan_ms(line, scratch)
            found["start.year_ms"] = median([first_scan_ms(line, scratch) for _ in range(3)])
            found |= pages_of(line, scratch)
    print({key: round(value, 1) for key, value in found.items()})
    return found


def first_scan_ms(line, scratch):
    with daemon(line, scratch) as program:
        page = Page(program.page)
        while any(one["quality"] != "good" for one in page.json("/api/v1/signals")["items"]):
            time.sleep(0.005)
        return (time.monotonic() - program.begun) * 1e3


def pages_of(line, scratch):
    """Answers of the page over a year's history."""
    found = {}
    signals = "TT-100,TT-101,TT-102"
    asked = {
        "page.week": f"/trend?signals={signals}&last=7d", "page.month": f"/trend?signals={signals}&last=30d",
        "page.week_data": f"/api/v1/trend?signals={signals}&last=7d", "page.month_data": f"/api/v1/trend?signals={signals}&last=30d",
        "page.line": "/", "page.alarm": "/alarms/a-0",
    }
    with daemon(line, scratch) as program:
        page = Page(program.page)
        time.sleep(3)
        for name, path in asked.items():
            found[f"{name}_ms"], found[f"{name}_kb"] = page.ms(path)
        found["page.rss_mb"] = program.memory_mb()
    return found


def size():
    """What is packaged: that build if it is there, else the tests' own without its symbols."""
    found = {}
    with tempfile.TemporaryDirectory() as scratch:
        for name in ("setward", "sim-plc"):
            packaged = target().parent / "dist" / name
            if packaged.exists():
                found[f"size.{name}.packaged_mb"] = packaged.stat().st_size / 1e6
            stripped = Path(scratch) / name
            output_of(["strip", "-o", stripped, target() / name])
            found[f"size.{name}_mb"] = stripped.stat().st_size / 1e6
    print({key: round(value, 1) for key, value in found.items()})
    return found


def build():
    """A clean build of both programs as they are packaged, in a folder of its own. Minutes; only when asked for."""
    with tempfile.TemporaryDirectory(dir=target().parent) as scratch:
        before = time.monotonic()
        output_of(["cargo", "build", "--quiet", "--locked", "--profile", "dist", "--bins", "--target-dir", scratch])
        found = {"build.s": time.monotonic() - before}
        for name in ("setward", "sim-plc"):
            found[f"size.{name}.packaged_mb"] = (Path(scratch) / "dist" / name).stat().st_size / 1e6
    print({key: round(value, 1) for key, value in found.items()})
    return found


def writes(folder, seconds=540):
    """What the folder's block device writes; it must be one of its own to mean anything."""
    text = output_of([target() / "examples" / "history-figures", "real-time", seconds, folder])
    print(text, end="")
    return matches(text, {"writes.gb_a_day": r"device writes" + NUMBER})

