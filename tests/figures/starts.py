"""Starts over a history of a year, each after a kill that nothing announced: what stood stands, and how soon all is read again.

Alarms stand before the first kill, half of them acknowledged. After each start they must be as they were: the same occurrences
since the same times, acknowledged by the same person. The next kill comes at a moment that has nothing to do with the program's own.
"""

import random
import tempfile
import time
from pathlib import Path

import plant
from programs import Page, daemon, output_of, target

SEED = 17
SIGNALS, CONTROLLERS, STANDING = 300, 10, 12
# Above every alarm's limit; in tenths of a degree, as the controllers have it.
TOO_HOT = 2300
KEPT = ("id", "state", "occurrence", "raised_at", "acknowledged_at", "acknowledged_by")
WITHIN_S = 30


def standing(page):
    return {one["id"]: tuple(one[key] for key in KEPT) for one in page.json("/api/v1/alarms")["items"] if one["standing"]}


def all_read(page):
    return all(one["quality"] == "good" for one in page.json("/api/v1/signals")["items"])


def wait_until(is_true, what):
    latest = time.monotonic() + WITHIN_S
    while not is_true():
        assert time.monotonic() < latest, f"not within {WITHIN_S} s: {what}"
        time.sleep(0.005)


def bring_about(line, scratch, plants, ports):
    """Alarms that stand, the first half acknowledged."""
    for index in range(STANDING):
        plants.words[ports[index % CONTROLLERS]][index // CONTROLLERS] = TOO_HOT
    with daemon(line, scratch) as program:
        page = Page(program.page)
        wait_until(lambda: len(standing(page)) == STANDING, f"{STANDING} alarms")
        for alarm in sorted(standing(page))[:STANDING // 2]:
            output_of([target() / "setward", "alarms", line, "--acknowledge", alarm, "--by", "Ana"])
        wait_until(lambda: sum(one[-1] == "Ana" for one in standing(page).values()) == STANDING // 2, "half of them acknowledged")
        return standing(page)


def one_start(line, scratch, before, alive_s):
    """ms from the program's start to every signal's first value; it is killed so long after."""
    with daemon(line, scratch) as program:
        page = Page(program.page)
        wait_until(lambda: all_read(page), "a complete scan")
        took_ms = (time.monotonic() - program.begun) * 1e3
        found = standing(page)
        assert found == before, f"before {before}, after the start {found}"
        time.sleep(alive_s)
        program.process.kill()
        program.process.wait()
    return took_ms


def starts(count=1000, days=365):
    ports, moments = plant.free_ports(CONTROLLERS), random.Random(SEED)
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        line = plant.write(scratch / "line", SIGNALS, ports, SIGNALS, kinds=("limit",))
        print(output_of([target() / "examples" / "history-figures", "old", days, line / ".setward"]), end="")
        plants = plant.Controllers(ports)
        plants.start()
        try:
            before = bring_about(line, scratch, plants, ports)
            took_ms = [one_start(line, scratch, before, moments.uniform(0, 0.5)) for _ in range(count)]
        finally:
            plants.stop()
        print(output_of([target() / "setward", "verify", line]), end="")
    took_ms.sort()
    found = {"starts.count": count, "starts.p50_ms": took_ms[count // 2], "starts.p99_ms": took_ms[int(count * 0.99)], "starts.max_ms": took_ms[-1]}
    print({key: round(value, 1) for key, value in found.items()})
    return found
