"""Power cuts under a daemon on a real file system: what of the readings it had shown was not there afterwards.

The history lies on an ext4 in an image. What the file system has not handed to its block device when the image is copied is
gone in the copy, as when the plug is pulled; the copy is mounted (the file system repairs itself), its history verified and
read. Needs root and a loop device.
"""

import csv
import datetime
import io
import os
import random
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import plant
from programs import Page, daemon, median, output_of, simulator, target

SEED = 11
SIGNALS, CONTROLLERS, ALARMS = 300, 10, 300
IMAGE_MB = 64
PERIOD = datetime.timedelta(seconds=1)


class Mounted:
    """An image, mounted at a folder."""

    def __init__(self, image, folder):
        self.folder = Path(folder)
        self.folder.mkdir()
        output_of(["mount", "-o", "loop", image, folder])

    def __enter__(self):
        return self.folder

    def __exit__(self, *_):
        output_of(["umount", self.folder])
        self.folder.rmdir()


def utc(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))


def shown(page, tags):
    """When each signal was last read, as the page shows it."""
    return {one["tag"]: utc(one["at"]) for one in page.json("/api/v1/signals")["items"] if one["tag"] in tags and one["at"]}


def kept(line, tags):
    """The time of each signal's newest reading in a history."""
    text = output_of([target() / "setward", "export", line, "--signals", ",".join(tags), "--from", "15 min"])
    found = {}
    for row in csv.DictReader(io.StringIO(text)):
        found[row["tag"]] = max(found.get(row["tag"], utc(row["utc"])), utc(row["utc"]))
    return found


def after_a_cut(copy, folder, before, cut_at, tags):
    """How old the oldest lost reading was at the cut, s, and of how many signals one is lost; the history must be sound."""
    with Mounted(copy, folder) as mounted:
        line = mounted / "line"
        output_of([target() / "setward", "verify", line])
        found = kept(line, tags)
    # What came a period after the newest that is kept is the oldest that is lost.
    lost_at = [found[tag] + PERIOD for tag in tags if before[tag] > found[tag]]
    return max(((cut_at - at).total_seconds() for at in lost_at), default=0), len(lost_at)


def cuts(count=60):
    """So many cuts of one daemon at moments that have nothing to do with its own."""
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        print("power cuts: not measured, they need root and a loop device")
        return {}
    moments, ports = random.Random(SEED), plant.free_ports(CONTROLLERS)
    tags = [plant.tag(index) for index in range(CONTROLLERS)]
    oldest_s, signals_lost = [], 0
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        image = scratch / "disk"
        with image.open("wb") as out:
            out.truncate(IMAGE_MB * 2**20)
        subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True)
        with Mounted(image, scratch / "disk-mounted") as mounted:
            line = plant.write(mounted / "line", SIGNALS, ports, ALARMS)
            # The files of the line have lain there for long.
            output_of(["sync", "--file-system", mounted])
            with simulator(line, scratch), daemon(line, scratch) as program:
                page = Page(program.page)
                time.sleep(5)
                for number in range(count):
                    time.sleep(moments.uniform(0.3, 2.3))
                    before = shown(page, tags)
                    copy, cut_at = scratch / f"copy-{number}", datetime.datetime.now(datetime.timezone.utc)
                    shutil.copyfile(image, copy)
                    oldest, lost = after_a_cut(copy, scratch / "copy-mounted", before, cut_at, tags)
                    oldest_s.append(oldest)
                    signals_lost += lost
                    copy.unlink()
    found = {"cuts.count": count, "cuts.p50_s": median(oldest_s), "cuts.max_s": max(oldest_s), "cuts.readings": signals_lost / count / len(tags)}
    print({key: round(value, 3) for key, value in found.items()})
    return found


if __name__ == "__main__":
    cuts()
