"""`setward run` at a real broker of messages: states are kept there and follow, messages come, an outage of the broker loses nothing, and
a kill -9 of Setward leaves the line offline.

    mqtt_broker.py SETWARD SIM_PLC LINE_FOLDER SCRATCH

Needs `mosquitto` and `mosquitto-clients` (Debian packages of these names), a general-purpose broker for MQTT. It listens on this machine
only. Ends what it started.
"""

import json
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

TOPIC = "plant/line-2"
WITHIN_S = 60


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def until(what, is_so, within_s=WITHIN_S):
    """Waits until something is so; gives it."""
    for _ in range(within_s * 10):
        found = is_so()
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"not within {within_s} s: {what}")


class Broker:
    """The broker, which keeps nothing on disk, started as often as it was killed; and somebody who listens."""

    def __init__(self, scratch):
        self.port, self.process, self.listener = free_port(), None, None
        self.file = scratch / "broker.conf"
        self.file.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.kept, self.passed = {}, []

    def start(self):
        self.kept.clear()
        self.process = subprocess.Popen(["mosquitto", "-c", self.file], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until("the broker listens", self.listens)
        asked = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", f"{TOPIC}/#", "-F", "%t %p"]
        self.listener = subprocess.Popen(asked, stdout=subprocess.PIPE, text=True)
        threading.Thread(target=self.listen, args=(self.listener,), daemon=True).start()

    def listens(self):
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            return True
        except OSError:
            return False

    def listen(self, listener):
        for line in listener.stdout:
            topic, body = line.rstrip("\n").split(" ", 1)
            body = json.loads(body)
            if topic == f"{TOPIC}/messages":
                self.passed.append(body)
            else:
                self.kept[topic.removeprefix(f"{TOPIC}/")] = body

    def retained(self):
        """What somebody who comes now is given at once."""
        asked = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(self.port), "-t", f"{TOPIC}/#", "-F", "%r %t", "--retained-only", "-W", "3"]
        given = subprocess.run(asked, capture_output=True, text=True, check=False).stdout.splitlines()
        assert all(line.startswith("1 ") for line in given), given
        return len(given)

    def kill(self):
        for process in (self.process, self.listener):
            if process and process.poll() is None:
                process.send_signal(signal.SIGKILL)
                process.wait()


def line_folder(shipped, folder, broker):
    shutil.copytree(shipped, folder, ignore=shutil.ignore_patterns(".setward"))
    site = folder / "site.toml"
    text = re.sub(r"127\.0\.0\.1:(155\d\d|8470)", lambda _: f"127.0.0.1:{free_port()}", site.read_text())
    site.write_text(text + f'\n[[mqtt]]\nname = "boards"\nserver = "127.0.0.1:{broker.port}"\ntopic = "{TOPIC}"\ntls = false\n')


def main():
    setward, sim_plc = (Path(path).resolve() for path in sys.argv[1:3])
    shipped, scratch = Path(sys.argv[3]), Path(sys.argv[4])
    folder = scratch / "broker-line"
    broker = Broker(scratch)
    line_folder(shipped, folder, broker)
    broker.start()
    started = []

    def begin(*command):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        started.append(process)
        return process

    def watch():
        return begin(setward, "run", folder, "--for", "5 min")

    def state(alarm):
        return broker.kept.get(f"alarms/{alarm}", {}).get("state")

    try:
        begin(sim_plc, "serve", folder, "--scenario", "none", "--fault", "controller-silent oven", "--for", "10 min")
        run = watch()
        until("the line is online", lambda: broker.kept.get("line", {}).get("state") == "online")
        until("the silent controller is an alarm", lambda: state("communication.oven") == "active-unacknowledged")
        until("and a message", lambda: any(item["alarm"] == "communication.oven" for one in broker.passed for item in one["items"]))
        states = until("every alarm has a state", lambda: len(broker.kept) > 40 and len(broker.kept))
        assert broker.retained() == states, "not everything is kept"
        tried = subprocess.run([setward, "alarms", folder, "--test-message", "boards"], capture_output=True, text=True, check=False)
        assert tried.returncode == 0 and "acknowledged" in tried.stdout, tried
        until("the test message", lambda: any(one["about"] == "test" for one in broker.passed))

        # The broker dies and forgets; meanwhile somebody acknowledges.
        broker.kill()
        done = subprocess.run([setward, "alarms", folder, "--acknowledge", "communication.oven", "--by", "Ana"], capture_output=True, text=True, check=False)
        assert done.returncode in (0, 10), done
        broker.start()
        until("the states stand again", lambda: len(broker.kept) == states)
        assert state("communication.oven") == "active-acknowledged", broker.kept["alarms/communication.oven"]
        assert broker.kept["line"]["state"] == "online"

        run.send_signal(signal.SIGKILL)
        run.wait()
        until("the will", lambda: broker.kept["line"]["state"] == "offline")
        run = watch()
        until("online again", lambda: broker.kept["line"]["state"] == "online")
        run.send_signal(signal.SIGTERM)
        run.wait(timeout=20)
        assert run.returncode == 0, run.stderr.read()
        until("the last word", lambda: broker.kept["line"]["state"] == "offline", 5)
        keys = [item["key"] for one in broker.passed for item in one["items"]]
        assert keys, "no message has a key"
        print(f"{states} states kept, made true again after a kill -9 of the broker; {len(broker.passed)} messages; offline after a kill -9 of Setward")
    finally:
        for process in started:
            if process.poll() is None:
                process.kill()
                process.wait()
        broker.kill()


if __name__ == "__main__":
    main()
