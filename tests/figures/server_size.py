#!/usr/bin/env python3
"""What a time-series server needs for a line: HOURS of 300 signals at 1 s, sent packed as Setward sends them, to a
victoria-metrics of this machine; then bytes on the way and on its disk, its processor and its memory. Synthetic data.

    python3 tests/figures/server_size.py 2
"""

import gzip
import os
import random
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

SIGNALS = 300
START_MS = 1_793_491_200_000
LINES_A_BATCH = 5_000


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def line(second, number, memory, rng):
    """Temperatures in 0.1 degC, belt speeds in mm/s, bits, counters; each with its quality."""
    if number < 180:
        memory[number] += -memory[number] / 60 + rng.gauss(0, 0.4)
        value = round(1000 + 5 * number + 3 * memory[number] + rng.gauss(0, (0.5, 1.5, 5)[number % 3])) / 10
    elif number < 220:
        value = round(750 + rng.gauss(0, 3)) / 1000
    elif number < 280:
        value = (second // 1800 + number) % 2
    else:
        memory[number] += 0.7
        value = int(memory[number])
    at = START_MS + second * 1000 + number % 10 * 37
    return f"reading,line=Line\\ 1,signal=TT-{100 + number},run=1 value={value},quality=0i {at}"


def folder_bytes(folder):
    return sum(os.path.getsize(os.path.join(at, name)) for at, _, names in os.walk(folder) for name in names)


def memory_mb(pid):
    with open(f"/proc/{pid}/status", encoding="ascii") as status:
        return next(int(row.split()[1]) / 1000 for row in status if row.startswith("VmHWM"))


def main():
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    folder, port = tempfile.mkdtemp(), free_port()
    url = f"http://127.0.0.1:{port}"
    server = subprocess.Popen(
        ["victoria-metrics", f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}", "-retentionPeriod=10y",
         "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    sizes = {"plain": 0, "packed": 0}

    def send(lines):
        body = "\n".join(lines).encode()
        packed = gzip.compress(body, 1)
        sizes["plain"] += len(body)
        sizes["packed"] += len(packed)
        request = urllib.request.Request(url + "/api/v2/write?precision=ms", packed, {"Content-Encoding": "gzip"})
        assert urllib.request.urlopen(request).status == 204

    try:
        for _ in range(100):
            try:
                urllib.request.urlopen(url + "/health")
                break
            except OSError:
                time.sleep(0.1)
        rng, memory, lines, count = random.Random(1), [0.0] * SIGNALS, [], 0
        for second in range(int(hours * 3600)):
            lines += [line(second, number, memory, rng) for number in range(SIGNALS)]
            count += SIGNALS
            if len(lines) >= LINES_A_BATCH:
                send(lines)
                lines = []
        if lines:
            send(lines)
        for path in ("/internal/force_flush", "/internal/force_merge"):
            urllib.request.urlopen(url + path).read()
        time.sleep(8)
        on_disk, peak = folder_bytes(folder), memory_mb(server.pid)
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait()
        shutil.rmtree(folder, ignore_errors=True)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{count} readings of {SIGNALS} signals, each a value and a quality")
    print(f"on the way, bytes a reading: plain {sizes['plain'] / count:.1f}, packed {sizes['packed'] / count:.2f}")
    print(f"on the server's disk, bytes a reading: {on_disk / count:.3f}")
    print(f"server: processor {(used.ru_utime + used.ru_stime) / count * 1e6:.2f} s a million readings, memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
