"""A disk that runs full under `setward run`: alarms and values go on, history waits and says so, nothing is lost, and it goes on by
itself when there is room again.

    unshare --user --map-root-user --mount history_disk.py SETWARD SIM_PLC LINE_FOLDER SCRATCH

Mounts a small memory disk, which is why it has a mount namespace of its own. Ends what it started.
"""

import csv
import json
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

DISK_MB = 64
FREE_MB = 20
RUNS_S = 60
FULL_AT_S = 15
FULL_FOR_S = 15


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def line_folder(shipped, folder, disk):
    shutil.copytree(shipped, folder, ignore=shutil.ignore_patterns(".setward"))
    site = folder / "site.toml"
    text = re.sub(r"127\.0\.0\.1:155\d\d", lambda _: f"127.0.0.1:{free_port()}", site.read_text())
    text = re.sub(r"^free_megabytes = \d+", f"free_megabytes = {FREE_MB}", text, flags=re.M)
    text = re.sub(r'^data_dir = "[^"]*"', f'data_dir = "{disk}/history"', text, flags=re.M)
    assert f"free_megabytes = {FREE_MB}" in text and f"{disk}/history" in text
    site.write_text(text)


def newest(url):
    """The newest time of any signal's value, and whether the page says that history waits."""
    with urllib.request.urlopen(f"{url}/api/v1/signals", timeout=5) as answer:
        signals = json.load(answer)
    with urllib.request.urlopen(f"{url}/", timeout=5) as answer:
        page = answer.read().decode()
    return max(signal.get("at") or "" for signal in signals["items"]), "free some room" in page


def main():
    setward, sim_plc = (Path(path).resolve() for path in sys.argv[1:3])
    shipped, scratch = Path(sys.argv[3]), Path(sys.argv[4])
    folder, disk = scratch / "disk-line", scratch / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "none", disk], check=True)
    line_folder(shipped, folder, disk)
    page = f"127.0.0.1:{free_port()}"
    started = []
    try:
        started.append(subprocess.Popen([sim_plc, "serve", folder, "--for", f"{RUNS_S + 20} s"],
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        time.sleep(1)
        run = subprocess.Popen([setward, "run", folder, "--page", page, "--for", f"{RUNS_S} s", "--json"],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        started.append(run)
        time.sleep(FULL_AT_S)
        before, waits = newest(f"http://{page}")
        assert not waits
        filler = disk / "filler"
        try:
            with filler.open("wb") as file:
                while True:
                    file.write(bytes(1 << 20))
                    file.flush()
        except OSError:
            pass
        assert shutil.disk_usage(disk).free < 2 << 20, "the disk is full"
        time.sleep(FULL_FOR_S)
        during, waits = newest(f"http://{page}")
        assert during > before, "values go on"
        assert waits, "the page says that history waits"
        filler.unlink()
        summary, told = run.communicate(timeout=RUNS_S + 30)
        assert run.returncode == 0, told
        summary = json.loads(summary)
        assert summary["samples_lost"] == 0, summary
        assert "free some room" in told, told

        events = sqlite3.connect(disk / "history/history.sqlite").execute("SELECT event FROM events ORDER BY sequence")
        words = [json.loads(event)["what"] for (event,) in events]
        assert words.count("history waits") == 1 and words.count("history goes on") == 1, words
        file = scratch / "disk.csv"
        subprocess.run([setward, "export", folder, "--signals", "TT-310", "--from", "1 h", "--out", file], check=True,
                       stdout=subprocess.DEVNULL)
        with file.open(newline="") as rows:
            seconds = [row["utc"] for row in csv.DictReader(rows)]
        assert len(seconds) >= RUNS_S - 8, f"{len(seconds)} readings of TT-310 in {RUNS_S} s"
        subprocess.run([setward, "verify", folder], check=True, stdout=subprocess.DEVNULL)
        print(f"{len(seconds)} readings of TT-310 in {RUNS_S} s, {FULL_FOR_S} of them with a full disk; none of "
              f"{summary['samples_stored']} lost")
    finally:
        for process in started:
            if process.poll() is None:
                process.terminate()
                process.wait()
        subprocess.run(["umount", "-l", disk], check=False)


if __name__ == "__main__":
    main()
