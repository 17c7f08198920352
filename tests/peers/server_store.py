"""A real time-series server under `setward run`: everything that was kept is there once and equal, after a kill -9 of the server,
and after all of it has been sent a second time.

    server_store.py SETWARD SIM_PLC LINE_FOLDER SCRATCH

Needs `victoria-metrics` (Debian package of that name), a general-purpose time-series database that takes the write call of the
InfluxDB v2 API. It listens on this machine only. Ends what it started.
"""

import csv
import json
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from datetime import datetime
from pathlib import Path

WATCHED_S = 130
KILLED_AT_S = 25
AWAY_S = 12
# What comes in the last seconds of a run is sent by the next one.
UNSENT_S = 12
# Readings of one second may be on both sides of the last page.
MARGIN_MS = 2_000


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Server:
    """The database, started as often as it was killed."""

    def __init__(self, folder):
        self.folder, self.port, self.process = folder, free_port(), None
        self.url = f"http://127.0.0.1:{self.port}"
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            ["victoria-metrics", f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}",
             "-retentionPeriod=10y", "-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s", "-loggerLevel=ERROR"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        for _ in range(100):
            try:
                return self.get("/health")
            except OSError:
                time.sleep(0.1)
        raise AssertionError("the server does not start")

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def get(self, path, **arguments):
        query = "?" + urllib.parse.urlencode(arguments) if arguments else ""
        with urllib.request.urlopen(f"{self.url}{path}{query}", timeout=30) as answer:
            return answer.read().decode()

    def points(self, field):
        """(tag, run, ms) -> value of every point of a field; a point twice is an error."""
        found = {}
        for line in self.get("/api/v1/export", **{"match[]": f'{{__name__="reading_{field}"}}', "start": "0"}).splitlines():
            series = json.loads(line)
            for at, value in zip(series["timestamps"], series["values"]):
                key = (series["metric"]["signal"], int(series["metric"]["run"]), at)
                assert key not in found, f"twice: {key}"
                found[key] = value
        return found

    def rows_taken(self):
        rows = re.findall(r"^vm_rows_inserted_total\{[^}]*\} (\d+)", self.get("/metrics"), re.M)
        return sum(int(count) for count in rows)


def line_folder(shipped, folder, server):
    """The shipped line on ports of its own, with a server."""
    shutil.copytree(shipped, folder, ignore=shutil.ignore_patterns(".setward"))
    site = folder / "site.toml"
    text = re.sub(r"127\.0\.0\.1:155\d\d", lambda _: f"127.0.0.1:{free_port()}", site.read_text())
    (folder / "token").write_text("not-asked-for\n")
    text += f"""
[[server]]
name = "central"
url = "{server.url}"
org = "plant"
bucket = "line"
token_file = "token"
"""
    site.write_text(text)


def watch(setward, folder, seconds):
    return subprocess.Popen(
        [setward, "run", folder, "--page", "127.0.0.1:0", "--for", f"{seconds} s", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )


def exported(setward, folder, scratch):
    """(tag, run, ms) -> value or nothing, and the word of its quality, of everything that was kept."""
    tags = [tag for (tag,) in sqlite3.connect(folder / ".setward/history.sqlite").execute("SELECT tag FROM signals")]
    file = scratch / f"kept-{time.monotonic_ns()}.csv"
    subprocess.run(
        [setward, "export", folder, "--signals", ",".join(tags), "--from", "1 d", "--out", file],
        check=True, stdout=subprocess.DEVNULL,
    )
    kept = {}
    with file.open(newline="") as rows:
        for row in csv.DictReader(rows):
            at = round(datetime.fromisoformat(row["utc"]).timestamp() * 1000)
            value = float(row["value"]) if row["value"] else None
            key = row["tag"], int(row["run"]), at
            assert key not in kept, f"{key} was kept twice"
            kept[key] = (value, row["quality"].split(":")[0])
    return kept, file


QUALITIES = {"good": lambda code: code == 0, "uncertain": lambda code: 0 < code < 0x1000, "bad": lambda code: code >= 0x1000}


def compare(server, kept, until):
    """Everything kept up to a time is on the server, once and equal, and nothing else is."""
    server.get("/internal/force_flush")
    values, qualities = server.points("value"), server.points("quality")
    early = {key: reading for key, reading in kept.items() if key[2] <= until}
    assert len(early) > 1_000, len(early)
    missing = [key for key in early if key not in qualities]
    assert not missing, f"{len(missing)} of {len(early)} are missing, first {min(missing, key=lambda key: key[2])}"
    extra = [key for key in qualities if key[2] <= until and key not in early]
    assert not extra, f"{len(extra)} were never kept, such as {extra[0]}"
    for key, (value, word) in early.items():
        assert QUALITIES[word](qualities[key]), f"{key}: {word}, but {qualities[key]}"
        if value is None:
            assert key not in values, key
        else:
            assert abs(values[key] - value) <= 1e-9 * max(abs(value), 1), f"{key}: {values[key]} instead of {value}"
    return len(early)


def main():
    setward, sim_plc = (Path(path).resolve() for path in sys.argv[1:3])
    shipped, scratch = Path(sys.argv[3]), Path(sys.argv[4])
    folder = scratch / "server-line"
    server = Server(scratch / "server-data")
    started = []
    try:
        line_folder(shipped, folder, server)
        started.append(subprocess.Popen([sim_plc, "serve", folder, "--for", f"{WATCHED_S + 20} s"],
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        time.sleep(1)
        run = watch(setward, folder, WATCHED_S)
        started.append(run)
        time.sleep(KILLED_AT_S)
        server.kill()
        time.sleep(AWAY_S)
        server.start()
        summary, told = run.communicate(timeout=WATCHED_S + 30)
        assert run.returncode == 0, told
        ended_ms = time.time() * 1000
        kept, _ = exported(setward, folder, scratch)
        summary = json.loads(summary)
        assert len(kept) == summary["samples_stored"], (len(kept), summary)
        server.get("/internal/force_flush")
        newest = max(at for _, _, at in server.points("quality"))
        assert newest > ended_ms - UNSENT_S * 1000, f"the server is {(ended_ms - newest) / 1000} s behind"
        first = compare(server, kept, newest - MARGIN_MS)

        # Its place is forgotten: all of it is sent again, and the rest.
        places = sqlite3.connect(folder / ".setward/history.sqlite")
        assert places.execute("DELETE FROM meta WHERE key LIKE 'server %'").rowcount == 2, "a place was kept"
        places.commit()
        places.close()
        before = server.rows_taken()
        again = watch(setward, folder, 25)
        started.append(again)
        _, told = again.communicate(timeout=60)
        assert again.returncode == 0, told
        assert server.rows_taken() - before >= first, "it was not sent again"
        both, _ = exported(setward, folder, scratch)
        second = compare(server, both, ended_ms)
        assert second >= len(kept)
        print(f"{first} readings equal after a kill -9 of the server and {AWAY_S} s without it; "
              f"{second} after all was sent again")
    finally:
        for process in started:
            if process.poll() is None:
                process.terminate()
                process.wait()
        server.kill()


if __name__ == "__main__":
    main()
